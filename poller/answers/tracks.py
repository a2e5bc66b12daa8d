"""How a relay stood over time, worked out backwards from how it stands now: every event says what
was before it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any, Final, Generic, TypeVar

from poller.answers.classes import Weight
from poller.answers.words import BEHAVIOUR, HEALTH
from poller.answers.work_words import STATE
from poller.model import limits
from poller.model.canonical import Utc
from poller.model.standing import Relay, State
from poller.model.standing import shown as present
from poller.model.status import Behaviour, Health
from poller.model.text import shown
from poller.model.work import WorkState

IN_HAND: Final = frozenset({WorkState.UNDER_WAY, WorkState.WAITING_FOR_RELAY, WorkState.CHECKING})
V = TypeVar("V")


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """So it stood from first to last. says: in a word or two, device text escaped."""

    first: Utc
    last: Utc
    says: str
    weight: Weight


@dataclass(slots=True)
class _Track(Generic[V]):
    """One value, followed backwards from now."""

    value: V
    end: datetime
    found: list[tuple[datetime, datetime, V]] = field(default_factory=list)

    def was(self, at: datetime, value: V) -> None:
        if value != self.value:
            self._close(at)
            self.value = value

    def from_(self, first: datetime) -> list[tuple[datetime, datetime, V]]:
        self._close(first)
        return self.found[::-1]

    def _close(self, at: datetime) -> None:
        """A wall clock that was put back gives no band a length below nothing."""
        if at < self.end:
            self.found.append((at, self.end, self.value))
            self.end = at


@dataclass(slots=True)
class Tracks:
    """All that is followed of one relay. open: investigations that were open."""

    version: _Track[str | None]
    group: _Track[int | None]
    health: _Track[Health | None]
    behaviour: _Track[Behaviour | None]
    answering: _Track[bool | None]
    paused: _Track[bool]
    open: _Track[int]
    flags: dict[str, _Track[bool]]
    works: dict[str, _Track[WorkState | None]]

    @classmethod
    def now(cls, relay: Relay, name: str, state: State, last: datetime) -> Tracks:
        plate = present(relay)
        asked = [one for one in state.investigations.values() if one.relay == name]
        return cls(
            version=_Track(None if plate is None else plate.swRev, last),
            group=_Track(relay.setting_group, last),
            health=_Track(relay.health, last),
            behaviour=_Track(relay.behaviour, last),
            answering=_Track(relay.answering, last),
            paused=_Track(relay.paused, last),
            open=_Track(sum(one.disposition is None for one in asked), last),
            flags={flag: _Track(True, last) for flag in relay.flags},
            works={
                work.id: _Track(work.state, last)
                for work in state.works.values()
                if work.plan.relay == name
            },
        )

    def before(self, at: datetime, body: Any, last: datetime) -> None:
        """What stood before this event."""
        match body.kind:
            case "nameplate_first_read":
                self.version.was(at, None)
            case "nameplate_changed":
                for change in body.changes:
                    if change.attribute == "swRev":
                        self.version.was(at, change.before)
            case "setting_group_changed":
                self.group.was(at, body.before)
            case "health_changed":
                self.health.was(at, body.before)
            case "behaviour_changed":
                self.behaviour.was(at, body.before)
            case "relay_silent":
                self.answering.was(at, None if body.last_answer_at is None else True)
            case "relay_answering":
                self.answering.was(at, None if body.silent_since is None else False)
            case "relay_paused" | "relay_resumed":
                self.paused.was(at, body.kind == "relay_resumed")
            case "investigation_opened":
                self.open.was(at, max(0, self.open.value - 1))
            case "disposition_given":
                self.open.was(at, self.open.value + 1)
            case "flag_rose" | "flag_fell":
                fell = body.kind == "flag_fell"
                self.flags.setdefault(body.flag, _Track(not fell, last)).was(at, fell)
            case "work_moved":
                self.works.setdefault(body.work, _Track(body.after, last)).was(at, body.before)
            case _:
                pass


def bands_of(
    tracks: Tracks, first: datetime, stops: list[tuple[datetime, datetime]]
) -> Iterator[tuple[str, list[Band]]]:
    yield "firmware", [_band(at, _version(value)) for *at, value in tracks.version.from_(first)]
    yield "settings", [_band(at, _group(value)) for *at, value in tracks.group.from_(first)]
    yield "health", _health(tracks, first)
    yield "investigations", [_band(at, _open(value)) for *at, value in tracks.open.from_(first)]
    for flag, track in tracks.flags.items():
        yield f"flag.{flag}", [_band(at, _flag(value)) for *at, value in track.from_(first)]
    in_hand = list(_in_hand(tracks, first))
    yield "work", in_hand
    answering = [_band(at, ANSWERING[value]) for *at, value in tracks.answering.from_(first)]
    paused = [_band(at, PAUSED) for *at, value in tracks.paused.from_(first) if value]
    worked_on = [_band((one.first, one.last), WORKED_ON) for one in in_hand if _away(one)]
    stopped = [
        _band((max(start, first), end), STOPPED) for start, end in stops if end > max(start, first)
    ]
    for over in (paused, worked_on, stopped):
        answering = overlaid(answering, over)
    yield "answering", answering


def overlaid(under: Sequence[Band], over: Iterable[Band]) -> list[Band]:
    """under, cut wherever one of over lies; those lie beside one another, not across."""
    cut = list(under)
    for one in over:
        left: list[Band] = []
        for band in cut:
            if band.last <= one.first or band.first >= one.last:
                left.append(band)
                continue
            if band.first < one.first:
                left.append(replace(band, last=one.first))
            if one.last < band.last:
                left.append(replace(band, first=one.last))
        cut = [*left, one]
    return sorted(cut, key=lambda band: band.first)


def _health(tracks: Tracks, first: datetime) -> list[Band]:
    """Health, and over it the behaviour while that was another than on."""
    bands = [_band(at, HEALTHS[value]) for *at, value in tracks.health.from_(first)]
    aside = [
        _band(at, (BEHAVIOUR[value], Weight.NOTE))
        for *at, value in tracks.behaviour.from_(first)
        if value not in (None, Behaviour.ON)
    ]
    return overlaid(bands, aside)


def _in_hand(tracks: Tracks, first: datetime) -> Iterator[Band]:
    for name, track in tracks.works.items():
        for *at, value in track.from_(first):
            if value in IN_HAND:
                yield _band(at, (f"{name} {STATE[value]}", Weight.NOTE))


def _away(band: Band) -> bool:
    return band.says.endswith(STATE[WorkState.UNDER_WAY])


UNKNOWN: Final = ("not known", Weight.UNKNOWN)
PAUSED: Final = ("paused", Weight.NOTE)
WORKED_ON: Final = ("worked on", Weight.NOTE)
STOPPED: Final = ("Bayroll not running", Weight.UNKNOWN)
ANSWERING: Final = {
    True: ("answering", Weight.REST),
    False: ("no answer", Weight.GRAVE),
    None: UNKNOWN,
}
HEALTHS: Final = {
    Health.OK: (HEALTH[Health.OK], Weight.REST),
    Health.WARNING: (HEALTH[Health.WARNING], Weight.NOTE),
    Health.ALARM: (HEALTH[Health.ALARM], Weight.GRAVE),
    None: UNKNOWN,
}


def _version(value: str | None) -> tuple[str, Weight]:
    return UNKNOWN if value is None else (shown(value, limits.SENTENCE_TEXT_MAX), Weight.REST)


def _group(value: int | None) -> tuple[str, Weight]:
    return UNKNOWN if value is None else (f"group {value}", Weight.REST)


def _open(value: int) -> tuple[str, Weight]:
    return (f"{value} open", Weight.NOTE) if value else ("none open", Weight.REST)


def _flag(value: bool) -> tuple[str, Weight]:
    return ("up", Weight.NOTE) if value else ("down", Weight.REST)


def _band(at: Sequence[datetime], told: tuple[str, Weight]) -> Band:
    return Band(first=at[0], last=at[1], says=told[0], weight=told[1])
