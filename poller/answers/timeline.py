"""What happened to a relay, and how it stood meanwhile, in lanes over time."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from poller.answers.classes import CHANGED, CLASSES, Weight, class_of_kind, weight
from poller.answers.history import entry
from poller.answers.tracks import Band, Tracks, bands_of
from poller.answers.words import count
from poller.model.canonical import Utc
from poller.model.events import NameplateChanged, Recorded
from poller.model.standing import State
from poller.model.text import shown


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """An event. says: its sentence, without the position."""

    at: Utc
    seq: int
    says: str
    weight: Weight


@dataclass(frozen=True, slots=True, kw_only=True)
class Lane:
    """bands: without a gap from when it is known, in order. marks: in order."""

    name: str
    says: str
    bands: tuple[Band, ...]
    marks: tuple[Mark, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Timeline:
    """known_from: before it so many events lie that they were not looked at; else as first."""

    first: Utc
    last: Utc
    known_from: Utc
    lanes: tuple[Lane, ...]


LANES: Final[dict[str, tuple[str, tuple[str, ...]]]] = {
    "firmware": (
        "Firmware",
        ("unplanned", "wrong_version", "planned", "swapped", "hardware", "first_read", "list"),
    ),
    "settings": ("Settings", ("settings", "spelling")),
    "health": ("Health", ("health",)),
    "answering": ("Answering", ("silence", "restarts")),
    "work": ("Work and entries", ("work", "entered")),
    "investigations": ("Investigations", ("investigations",)),
    "alarms": ("Alarms", ("alarms",)),
}
"""Classes of events that are marked on each lane; flags have a lane each."""
LANE_OF: Final = {name: lane for lane, (_, names) in LANES.items() for name in names}
KINDS: Final = tuple(
    {kind for name in (*LANE_OF, "flags") for kind in CLASSES[name].kinds} | {CHANGED}
)
FLAGS_MAX: Final = 8  # that have a lane of their own: more never stood at one relay within a span


def timeline(
    state: State,
    name: str,
    events: Sequence[Recorded],
    *,
    first: datetime,
    last: datetime,
    whole: bool = True,
    stops: Iterable[tuple[datetime, datetime]] = (),
) -> Timeline:
    """events: of the relay since first, the newest first; whole: all of them. stops: when the
    poller did not run. Raises KeyError for an id that was never listed."""
    relay = state.relays[name]
    known_from = first if whole else max(first, events[-1].event.at) if events else last
    tracks = Tracks.now(relay, name, state, last)
    marks: dict[str, list[Mark]] = {}
    for recorded in events:
        event = recorded.event
        tracks.before(event.at, event.body, last)
        if first <= event.at <= last:
            marks.setdefault(_lane(event.body), []).append(_mark(recorded, state))
    bands = dict(bands_of(tracks, known_from, list(stops)))
    lanes = [(name, says) for name, (says, _) in LANES.items()]
    lanes[2:2] = [(f"flag.{flag}", f"Flag {shown(flag)}") for flag in _flags(tracks, marks)]
    return Timeline(
        first=first,
        last=last,
        known_from=known_from,
        lanes=tuple(
            Lane(
                name=lane,
                says=says.replace("_", " "),
                bands=tuple(bands.get(lane, ())),
                marks=tuple(sorted(marks.get(lane, ()), key=lambda one: (one.at, one.seq))),
            )
            for lane, says in lanes
        ),
    )


def _lane(body: Any) -> str:
    if body.kind in ("flag_rose", "flag_fell"):
        return f"flag.{body.flag}"
    if isinstance(body, NameplateChanged) and class_of_kind(body) not in LANE_OF:
        return "firmware"
    return LANE_OF.get(class_of_kind(body), "work")


def _flags(tracks: Tracks, marks: Mapping[str, object]) -> list[str]:
    """Those that stood or moved, what stands now first."""
    stood = sorted(tracks.flags, key=lambda flag: (f"flag.{flag}" in marks, flag))
    return stood[:FLAGS_MAX]


def _mark(recorded: Recorded, state: State) -> Mark:
    told = entry(recorded, state)
    return Mark(
        at=recorded.event.at,
        seq=recorded.seq,
        says=told.sentence.removeprefix(f"{told.position}: "),
        weight=weight(recorded.event.body),
    )


def in_words(lane: Lane) -> str:
    """What a picture of it shows, in a sentence."""
    moved = count(len(lane.marks), "event", "events")
    last = f"; now {lane.bands[-1].says}" if lane.bands else ""
    return f"{lane.says}: {moved}{last}"
