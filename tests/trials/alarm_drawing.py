"""What a seed draws for its alarms: a catalogue, what people do about them, and what brings them.

From a chance of its own, so that the rest of a seed's plan does not hang on it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from random import Random
from typing import Any, Final

from poller.site.alarm_catalogue import Catalogue, Entry
from poller.site.settings import RelayEntry
from poller.site.shipped_alarms import shipped
from simulator.scenario import FlagCleared, FlagRaised, Scene, Silent
from tests.trials.families import FLAGS
from tests.trials.hands import Deed, Errand
from tests.trials.stories import Window

DELAYS_S: Final = (0, 10, 60, 240)
DEEDS: Final = (
    "ack",
    "ack",
    "ack",
    "ack",
    "answer",
    "answer",
    "shelve",
    "shelve",
    "unshelve",
    "out",
    "back",
    "reset",
)
SHELVED_S: Final = (60, 300, 900, 2_400)
ONE_FLAG: Final = ("otter",)  # a code stands for its flags, and none for two that a story may raise
TOO_LONG_S: Final = 9 * 3_600  # a day's work is shorter


@dataclass(frozen=True, slots=True, kw_only=True)
class ForAlarms:
    """catalogue: None for the one that ships. scenes, windows: besides those of the stories."""

    catalogue: Catalogue | None
    deeds: tuple[Deed, ...]
    scenes: tuple[Scene, ...]
    windows: tuple[Window, ...]


def for_alarms(
    random: Random, entries: Sequence[RelayEntry], until: float, status_s: float
) -> ForAlarms:
    """until: by then everything is healed. status_s: how often a relay is asked."""
    scenes: list[Scene] = []
    windows: list[Window] = []
    if random.random() < 0.4:
        for scene, window in _outage(random, entries, until):
            scenes.append(scene)
            windows.append(window)
    free = [one for one in entries if one.maps[0] not in ONE_FLAG]
    if free and random.random() < 0.6:
        scenes += _flutter(random, random.choice(free), until, status_s)
    return ForAlarms(
        catalogue=_catalogue(random, entries),
        deeds=tuple(_deeds(random, until)),
        scenes=tuple(scenes),
        windows=tuple(windows),
    )


def hurried(random: Random, errands: Sequence[Errand]) -> Iterator[Errand]:
    """Some work has a window that ends before it does; some is ended before the relay is back."""
    for errand in errands:
        until = random.uniform(errand.started_at, errand.tested_at + 300)
        short, soon = random.random() < 0.3, random.random() < 0.3
        window_s = until - errand.planned_at if short else errand.window_s
        ended_at = min(errand.ended_at, errand.started_at + 25) if soon else errand.ended_at
        yield replace(errand, window_s=window_s, ended_at=ended_at)


def _catalogue(random: Random, entries: Sequence[RelayEntry]) -> Catalogue | None:
    """As it ships, or with other delays, a latch, and some entries left out."""
    if random.random() < 0.5:
        return None
    drawn = random.random()
    # a chance for each, so that an entry that is added to those that ship changes no other
    own = [_entry(Random(f"{drawn} {one.id}"), one) for one in shipped().entries]
    wired = random.choice(("reach_scada", "none"))
    changed: dict[str, Any] = {
        "entries": [one for one in own if one],
        "acknowledged_over": random.choice(("bayroll", "mqtt")),
        "chattering": {"count": random.choice((2, 3)), "within_s": random.choice((900, 1_800))},
        "many_silent": {"more_than": random.choice((1, 2, 3)), "within_s": 60},
        "watchdog_contacts": wired,
        "watchdog_exceptions": [random.choice(entries).id],
    }
    return Catalogue.model_validate(shipped().model_dump() | changed)


def _entry(random: Random, one: Entry) -> dict[str, Any] | None:
    """None: it is left out."""
    if random.random() < 0.05:
        return None
    changed: dict[str, Any] = {}
    if random.random() < 0.4:
        changed["on_delay_s"] = random.choice(DELAYS_S)
    if random.random() < 0.4:
        changed["off_delay_s"] = random.choice(DELAYS_S)
    if random.random() < 0.15:
        changed["latching"] = True
    return one.model_dump() | changed


def _deeds(random: Random, until: float) -> Iterator[Deed]:
    for _ in range(random.choice((15, 30, 60))):
        yield Deed(
            at=random.uniform(300, until),
            what=random.choice(DEEDS),
            pick=random.random(),
            astray=random.random() < 0.15,
            for_s=random.choice(SHELVED_S) if random.random() < 0.9 else TOO_LONG_S,
        )


def _outage(
    random: Random, entries: Sequence[RelayEntry], until: float
) -> Iterator[tuple[Scene, Window]]:
    """A switch or a gateway goes, and with it most of what lies behind it."""
    lasts = random.uniform(500, 1_500)
    if until < lasts + 900:
        return
    at = random.uniform(300, until - lasts - 300)
    behind = [one for one in entries if one.behind_serial]
    gone = behind if behind and random.random() < 0.4 else entries
    for entry in gone:
        if random.random() < 0.1:
            continue
        start, end = at + random.uniform(0, 15), at + lasts + random.uniform(0, 15)
        scene = Silent(do="silent", at=start, relay=entry.id, until=end, how="no_reply")
        yield scene, Window(start=start, end=end, relay=entry.id, why="outage")


def _flutter(random: Random, entry: RelayEntry, until: float, status_s: float) -> Iterator[Scene]:
    """A flag that comes and goes, each time for long enough to be believed."""
    flag = random.choice(FLAGS[entry.maps[0]])
    at = random.uniform(300, until)
    for _ in range(random.randint(3, 6)):
        up_s, down_s = (random.uniform(3, 5) * status_s + 10 for _ in range(2))
        if at + up_s < until:
            yield FlagRaised(do="flag_raised", at=at, relay=entry.id, flag=flag)
            yield FlagCleared(do="flag_cleared", at=at + up_s, relay=entry.id, flag=flag)
        at += up_s + down_s
