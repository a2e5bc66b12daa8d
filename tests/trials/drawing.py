"""What a seed draws: a fleet, a pace, what truly happens, and what goes wrong meanwhile.

Everything is drawn before the run, so that a seed is a plan that can be read.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from random import Random
from typing import Final

from poller.model import limits
from poller.site.settings import Intervals, JournalPlace, RelayEntry, Site, SiteFile, WorkSettings
from simulator.scenario import FlagCleared, Scenario, Scene
from simulator.stage import Stage
from tests.trials.alarm_drawing import for_alarms, hurried
from tests.trials.families import BEHIND, FAMILIES, known
from tests.trials.hands import Deed, Errand
from tests.trials.stories import Window, planned, rests, story, wrongs

ALARMS: Final = 1_000_000  # past every seed, so that no two draw from the same chance
WAITING: Final = 2_000_000
CLOCK: Final = 3_000_000
STEPS_S: Final = (-7_200, -30, 30, 3_600)
POLLS: Final = 20_000  # of a seed at most, so that time is bounded whatever is drawn


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """kills: from when on the poller is killed, at the next request or a little after it, and for
    how long it stays dead. steps: of the wall clock, s.

    failing: when commits fail. broker_away: when the output's peer is gone. drift: wall seconds
    that pass in a second. deeds: what people do about alarms. waiting_max: how many events may wait
    for the journal until judging pauses.
    """

    seed: int
    site: Site
    stage: Stage
    ends: float
    windows: tuple[Window, ...]
    errands: tuple[Errand, ...]
    kills: tuple[tuple[float, float], ...]
    failing: tuple[tuple[float, float], ...]
    broker_away: tuple[tuple[float, float], ...]
    steps: tuple[tuple[float, float], ...]
    drift: float
    deeds: tuple[Deed, ...] = ()
    waiting_max: int = limits.EVENTS_WAITING_MAX


def draw(seed: int, hours: float | None = None) -> Drawn:
    """The plan of a seed. hours: in place of the drawn length, still within the budget of polls."""
    random = Random(seed)
    entries = tuple(_fleet(random))
    intervals = Intervals(
        status_s=random.choice((10, 20, 30, 60)),
        nameplate_s=random.choice((120, 300, 600)),
        confirm_s=random.choice((20, 45, 60)),
        confirm_after_restart_s=random.choice((60, 90, 180)),
        reply_timeout_s=random.choice((1.0, 2.0, 3.0)),
        rest_ms=random.choice((20, 50, 100)),
        silent_misses=3,
        unreadable_s=random.choice((900, 1_800)),
    )
    maps, boxes = known()
    used = {name for entry in entries for name in entry.maps}
    assert intervals.status_s is not None
    most_s = POLLS * intervals.status_s / len(entries)
    wanted_s = (hours or random.choice((2, 4, 6))) * 3_600
    soak_s = random.choice((60, 180, 400))
    settle_s = 3 * intervals.nameplate_s + 3 * intervals.confirm_after_restart_s + soak_s + 400
    ends = min(most_s, wanted_s) + settle_s
    quiet_from = ends - settle_s  # by then everything is healed
    scenes: list[Scene] = []
    windows: list[Window] = []
    errands: list[Errand] = []
    for entry in entries:
        strays = "heron" in entry.maps and random.random() < 0.7
        for told, troubles in (
            story(random, entry, quiet_from, intervals),
            wrongs(random, entry, quiet_from, intervals, strays=strays),
        ):
            scenes += told
            windows += troubles
        works = list(planned(random, [one for one in scenes if one.relay == entry.id], quiet_from))
        errands += works
        windows += [rests(errand) for errand in works]
    chance, clock = Random(seed + ALARMS), Random(seed + CLOCK)
    errands = list(hurried(chance, errands))
    alarms = for_alarms(chance, entries, quiet_from, intervals.status_s)
    file = SiteFile(
        format=1,
        site="trial",
        name="Trial",
        intervals=intervals,
        journal=JournalPlace(),
        work=WorkSettings(soak_s=soak_s, bays_at_once=100),
        relays=entries,
    )
    site = Site(
        file=file,
        maps=dict(maps),
        texts={"site.yaml": str(seed)},
        sha256=f"{seed:064x}",
        alarms=alarms.catalogue,
    )
    scenario = Scenario(
        format=1,
        scenario=f"seed-{seed}",
        site="site.yaml",
        seed=seed,
        boxes=tuple(box for box in boxes if box.map in used),
        story=tuple(sorted((*scenes, *alarms.scenes), key=lambda scene: (scene.at, scene.relay))),
    )
    failing = _windows(random, quiet_from, random.choice((0, 0, 1)), 5, 300)
    return Drawn(
        seed=seed,
        site=site,
        stage=Stage(scenario=scenario, entries=entries, maps=maps),
        ends=ends,
        windows=(*windows, *alarms.windows),
        errands=tuple(errands),
        deeds=alarms.deeds,
        kills=_kills(random, quiet_from, scenes, status_s=intervals.status_s),
        failing=failing,
        broker_away=_windows(random, quiet_from, random.choice((0, 1, 2)), 5, 900),
        steps=(
            *_steps(random, quiet_from),
            *_steps_beside(clock, scenes, errands, quiet_from, intervals),
        ),
        drift=random.choice((1.0, 1.0, 1.0001, 0.9999)),
        waiting_max=Random(seed + WAITING).choice((8, 15, limits.EVENTS_WAITING_MAX)),
    )


def _fleet(random: Random) -> Iterator[RelayEntry]:
    for number in range(random.randint(2, 5)):
        # in every second fleet one whose answers can be taken for one another, always connected
        alike = number == 0 and random.random() < 0.5
        family = "heron" if alike else random.choice(tuple(FAMILIES))
        yield RelayEntry(
            id=f"d{number}-{family}",
            bay=f"D{number}",
            function="main 1",
            host=f"127.1.1.{number + 1}",
            maps=FAMILIES[family],
            client_slots=4 if alike else random.choice((1, 2, 3, 4)),
        )
    for number in range(random.choice((0, 2, 3))):
        family = random.choice(BEHIND)
        yield RelayEntry(
            id=f"g{number}-{family}",
            bay="G",
            function=f"feeder {number}",
            host="127.1.2.1",
            unit=number + 1,
            maps=FAMILIES[family],
            behind_serial=True,
            client_slots=1,
        )


def _kills(
    random: Random, until: float, scenes: list[Scene], *, status_s: float
) -> tuple[tuple[float, float], ...]:
    """Mostly near something that happens, so that it hits what is half known."""
    found: list[tuple[float, float]] = []
    falls = [scene.at for scene in scenes if isinstance(scene, FlagCleared)]
    for _ in range(random.choice((0, 1, 2, 4))):
        at = random.uniform(200, until)
        if scenes and random.random() < 0.7:
            at = random.choice(scenes).at + random.uniform(-10, 3 * status_s)
        dead_s = random.choice((random.uniform(0.1, 5), random.uniform(5, 400)))
        if falls and random.random() < 0.4:  # a flag that falls while nobody looks
            at = random.choice(falls) - random.uniform(1, status_s)
            dead_s = status_s + random.uniform(0, 60)
        found.append((min(max(at, 60), until), dead_s))
    return tuple(sorted(found))


def _steps(random: Random, until: float) -> Iterator[tuple[float, float]]:
    for _ in range(random.choice((0, 0, 1, 2))):
        yield random.uniform(300, until), random.choice(STEPS_S)


def _steps_beside(
    random: Random, scenes: list[Scene], errands: list[Errand], until: float, pace: Intervals
) -> Iterator[tuple[float, float]]:
    """While something is half known, or work is checked."""
    happens = [scene.at for scene in scenes if random.random() < 0.01]
    checked = [errand.ended_at for errand in errands if random.random() < 0.2]
    for start in (*happens, *checked):
        at = start + random.uniform(0, 2 * pace.confirm_after_restart_s)
        if at < until:
            yield at, random.choice(STEPS_S)


def _windows(
    random: Random, until: float, count: int, least: float, most: float
) -> tuple[tuple[float, float], ...]:
    """So many stretches, apart and in order, none in the first minutes."""
    found: list[tuple[float, float]] = []
    for start in sorted(random.uniform(200, until) for _ in range(count)):
        end = min(until, start + random.uniform(least, most))
        if not found or start > found[-1][1] + 60:
            found.append((start, end))
    return tuple(found)
