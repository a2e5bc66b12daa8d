"""What a seed draws for one relay: what truly happens to it, and what goes wrong on the way.

Both are scenes of the simulator's scenario files, so that a seed can be saved and played as one.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from random import Random
from typing import Final, Literal

from poller.site.settings import Intervals, RelayEntry
from simulator.misbehaviour import KINDS
from simulator.scenario import (
    FirmwareUpdate,
    FlagCleared,
    FlagRaised,
    HealthTurns,
    Misbehaves,
    Replaced,
    Scene,
    SettingsChange,
    Silent,
    TestMode,
)
from tests.trials.families import ERASABLE, FLAGS, NEXT_LAYOUT, SETTINGS, VERSIONS
from tests.trials.hands import Errand

# what acts on a connection hits all units behind a gateway: not drawn there
CONNECTION_KINDS: Final = ("slots", "idle_close", "refuse")
REPLY_KINDS: Final = tuple(kind for kind in KINDS if kind not in CONNECTION_KINDS)
# answers that come when another is awaited
STRAY_KINDS: Final = ("late", "twice", "delay")
# what a relay says wrongly under a right header it says once
UNDER_A_RIGHT_HEADER: Final = ("corrupted", "half_written")
STORIES: Final = ("update", "settings", "replace", "flag", "silent", "health", "mode", "erase")


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """A time in which nobody can demand that this relay is read. relay: "*" for all."""

    start: float
    end: float
    relay: str
    why: str


def story(
    random: Random, entry: RelayEntry, until: float, pace: Intervals
) -> tuple[list[Scene], list[Window]]:
    """What truly happens to one relay, one thing after another, all of it over by `until`."""
    scenes: list[Scene] = []
    windows: list[Window] = []
    layout, relay = entry.maps[0], entry.id
    now = random.uniform(100, 900)
    assert pace.nameplate_s is not None
    assert pace.confirm_after_restart_s is not None
    long_s = 2 * pace.nameplate_s + 2 * pace.confirm_after_restart_s + 300

    def window(why: str, lasts: float) -> None:
        windows.append(Window(start=now, end=now + lasts, relay=relay, why=why))

    while now < until - 600:
        # mostly long enough to be told for certain, sometimes so short that it may be missed
        long = random.random() < 0.8
        lasts = random.uniform(long_s, 2 * long_s) if long else random.uniform(1, 90)
        lasts = min(lasts, until - now - 400)
        match random.choice(STORIES):
            case "update":
                # over before the next visit, or one that takes its time
                away_s = random.choice((random.uniform(1, 8), random.uniform(8, 240)))
                boot_s = random.choice((0.0, random.uniform(0, 60)))
                if layout in NEXT_LAYOUT and random.random() < 0.5:
                    layout = NEXT_LAYOUT[layout]
                flagged = random.random() < 0.5
                scenes.append(
                    FirmwareUpdate(
                        do="firmware_update",
                        at=now,
                        relay=relay,
                        to={"swRev": random.choice(VERSIONS[layout])},
                        map=layout,
                        away_s=away_s,
                        boot_s=boot_s,
                        how=random.choice(("no_reply", "refuse")),
                        flag="firmware_changed" if flagged else None,
                        flag_cleared_after_s=random.uniform(1, lasts) if flagged else None,
                    )
                )
                window("update", away_s + boot_s)
                now += away_s + boot_s
            case "settings":
                scenes.append(_settings(now, relay, layout, random))
            case "replace":
                serial = f"7{random.randrange(10**7):07}"
                away_s = random.uniform(60, 400)
                scenes.append(
                    Replaced(
                        do="replaced",
                        at=now,
                        relay=relay,
                        to={"serNum": serial},
                        map=layout,
                        away_s=away_s,
                        how="no_reply",
                    )
                )
                window("replace", away_s)
                now += away_s
            case "flag":
                flag = random.choice(FLAGS[layout])
                scenes.append(FlagRaised(do="flag_raised", at=now, relay=relay, flag=flag))
                after = now + lasts
                scenes.append(FlagCleared(do="flag_cleared", at=after, relay=relay, flag=flag))
            case "silent":
                away_s = random.uniform(1, min(900, until - now - 100))
                scenes.append(
                    Silent(
                        do="silent",
                        at=now,
                        relay=relay,
                        until=now + away_s,
                        how=random.choice(("no_reply", "refuse")),
                        restarted=random.random() < 0.5,
                    )
                )
                window("silent", away_s)
                now += away_s
            case "health":
                worse: Literal["warning", "alarm"] = random.choice(("warning", "alarm"))
                after = now + lasts
                scenes.append(HealthTurns(do="health", at=now, relay=relay, health=worse))
                scenes.append(HealthTurns(do="health", at=after, relay=relay, health="ok"))
            case "erase" if layout in ERASABLE:  # erased memory is not read, and never a change
                name, _ = SETTINGS[layout]
                scenes.append(
                    SettingsChange(do="settings_change", at=now, relay=relay, to={name: None})
                )
                scenes.append(_settings(now + lasts, relay, layout, random))
                window("erase", lasts)
            case "mode":
                scenes.append(
                    TestMode(
                        do="test_mode",
                        at=now,
                        relay=relay,
                        behaviour=random.choice(("test", "blocked")),
                        until=now + lasts,
                    )
                )
        now += lasts + random.uniform(1, long_s)
    return scenes, windows


def _settings(at: float, relay: str, layout: str, random: Random) -> SettingsChange:
    name, texts = SETTINGS[layout]
    to: dict[str, str | None] = {name: random.choice(texts)}
    return SettingsChange(do="settings_change", at=at, relay=relay, to=to)


def planned(random: Random, scenes: list[Scene], until: float) -> Iterator[Errand]:
    """Work by the book around some of the updates, as planned or with another outcome."""
    free = 0.0  # from when on nobody works on this relay
    for scene in scenes:
        if not isinstance(scene, FirmwareUpdate) or random.random() < 0.4:
            continue
        back = scene.at + scene.away_s + scene.boot_s
        started_at = scene.at - random.uniform(3, 20)
        ended_at = back + random.uniform(2, 60)
        tested_at = ended_at + random.uniform(10, 300)
        closed_at = tested_at + random.uniform(900, 3_000)
        came = scene.to["swRev"]
        assert came is not None
        others = [text for text in VERSIONS[scene.map or ""] if text != came]
        errand = Errand(
            relay=scene.relay,
            to=came if random.random() < 0.6 else random.choice(others),
            planned_at=max(1.0, started_at - random.uniform(5, 400)),
            started_at=started_at,
            ended_at=ended_at,
            tested_at=tested_at,
            closed_at=closed_at,
        )
        if errand.planned_at > free and ended_at < until:
            yield errand
            free = closed_at + 120  # a command can be late, where the poller is dead meanwhile


def rests(errand: Errand) -> Window:
    """The relay is not polled; at most this long, where no command is late."""
    return Window(start=errand.started_at, end=errand.ended_at + 30, relay=errand.relay, why="work")


def wrongs(
    random: Random, entry: RelayEntry, until: float, pace: Intervals, *, strays: bool
) -> tuple[list[Scene], list[Window]]:
    """What goes wrong on the way, for a while each. strays: mostly answers that come astray."""
    scenes: list[Scene] = []
    windows: list[Window] = []
    now = random.uniform(0, 1_800)
    while now < until - 300:
        kinds = REPLY_KINDS if entry.behind_serial else REPLY_KINDS + CONNECTION_KINDS
        stray = random.random() < (0.7 if strays else 0.1)
        kind = random.choice(STRAY_KINDS if stray else kinds)
        ends = min(now + random.uniform(20, 1_200), until)
        scenes.append(
            Misbehaves(
                do="misbehave",
                at=now,
                relay=entry.id,
                kind=kind,
                until=ends,
                chance=random.choice((0.5, 1.0, 1.0) if stray else (0.05, 0.2, 0.5, 1.0)),
                times=1 if kind in UNDER_A_RIGHT_HEADER else 0,
                parameters=_parameters(random, kind, pace),
            )
        )
        windows.append(Window(start=now, end=ends, relay=entry.id, why=kind))
        now = ends + random.uniform(200, 4_000)
    return scenes, windows


def _parameters(random: Random, kind: str, pace: Intervals) -> dict[str, float | int]:
    match kind:
        case "delay":
            assert pace.status_s is not None  # late by seconds, or in time for the next visit
            seconds = random.choice((random.uniform(0.1, 5), pace.status_s + random.uniform(0, 1)))
            return {"seconds": seconds, "jitter_s": random.uniform(0, 3)}
        case "twice":
            return {"gap_s": random.uniform(0, 0.3)}
        case "exception":
            return {"code": random.choice((1, 2, 3, 4, 5, 6, 8, 10, 11))}
        case "slots":
            return {"slots": 0}
        case "idle_close":
            return {"seconds": random.uniform(1, 30)}
        case _:
            return {}
