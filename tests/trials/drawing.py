"""What a seed draws: a fleet, a pace, what truly happens, and what goes wrong meanwhile.

Everything is drawn before the run, so that a seed is a plan that can be read.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from random import Random
from typing import Final

from poller.cli.shipped import config_folder
from poller.model.status import Behaviour, Health
from poller.site.load import load_map
from poller.site.register_map import RegisterMap
from poller.site.settings import Intervals, JournalPlace, RelayEntry, Site, SiteFile
from simulator.acts import Act, Away, Back, Behave, Boot, Flag, Misbehave, Show, Write
from simulator.misbehaviour import KINDS, Plan
from simulator.scenario import Box, Scenario
from simulator.stage import Stage, load_stage

POLLS: Final = 20_000  # of a seed at most, so that time is bounded whatever is drawn
FAMILIES: Final = {
    "larch": ("larch",),
    "pike": ("pike", "pike-3"),
    "otter": ("otter",),
    "heron": ("heron",),
}
BEHIND: Final = ("pike", "heron")  # behind a gateway
VERSIONS: Final = {
    "larch": ("5.1 SP2", "5.1 SP2 HF3", "5.2", "5.3 HF1", "4.9 SP1"),
    "pike": ("2.06.004", "2.07.013", "2.08.001", "1.02.003"),
    "pike-3": ("3.00.004", "3.01.000"),
    "otter": ("F", "G", "Z", "AA", "AC"),
    "heron": ("1.2", "1.10", "1.3", "2.0"),
}
SETTINGS: Final = {
    "larch": ("configRev", ("2025-11.2", "2026-01.1", "2026-02.7")),
    "pike": ("configRev", ("12", "31", "77")),
    "pike-3": ("configRev", ("3", "9", "14")),
    "otter": ("configRev", ("fellmoor-r7", "fellmoor-r8", "fellmoor-r9")),
    "heron": ("configRev", ("C1", "C2", "C3")),
}
FLAGS: Final = {
    "larch": ("firmware_changed", "settings_changed", "storage_low", "restart_pending"),
    "pike": ("firmware_changed", "settings_changed", "storage_low"),
    "pike-3": ("firmware_changed", "settings_changed", "storage_low"),
    "otter": ("firmware_changed", "support_ending"),
    "heron": ("firmware_changed", "settings_changed", "storage_low"),
}
CONNECTION_KINDS: Final = ("slots", "idle_close", "refuse")
# a code that a relay can say for minutes and that says nothing about its registers
REPLY_KINDS: Final = tuple(kind for kind in KINDS if kind not in CONNECTION_KINDS)


@dataclass(frozen=True, slots=True, kw_only=True)
class Happens:
    """At so many seconds, to a relay."""

    at: float
    relay: str
    act: Act


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """A time in which nobody can demand that this relay is read. relay: "*" for all."""

    start: float
    end: float
    relay: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """kills: when the poller is killed, and how long it stays dead. steps: of the wall clock, s.

    failing: when commits fail. broker_away: when the output's peer is gone. drift: wall seconds
    that pass in a second.
    """

    seed: int
    site: Site
    stage: Stage
    ends: float
    happens: tuple[Happens, ...]
    windows: tuple[Window, ...]
    kills: tuple[tuple[float, float], ...]
    failing: tuple[tuple[float, float], ...]
    broker_away: tuple[tuple[float, float], ...]
    steps: tuple[tuple[float, float], ...]
    drift: float


UNDER_A_RIGHT_HEADER: Final = ("corrupted", "half_written")
STORIES: Final = (
    "update",
    "settings",
    "replace",
    "flag",
    "silent",
    "health",
    "mode",
    "erase",
)
ERASABLE: Final = ("larch", "heron")  # where a text that is erased can be told from one that is not
HERE: Final = Path(__file__).parent
HERON: Final = Box(
    map="heron",
    nameplate={
        "vendor": ("Trial Works",),
        "swRev": ("1.2",),
        "serNum": ("H{n:06}",),
        "configRev": ("C0",),
    },
)


@cache
def shipped() -> tuple[dict[str, RegisterMap], tuple[Box, ...]]:
    """Maps and nameplate tables as the demo has them."""
    folder = config_folder()
    names = ("larch", "pike", "pike-3", "otter")
    maps = {
        name: load_map((folder / "maps" / f"{name}.yaml").read_text(), f"{name}.yaml")
        for name in names
    }
    maps["heron"] = load_map((HERE / "heron.yaml").read_text(), "heron.yaml")
    demo = load_stage(str(folder / "scenarios" / "demo.yaml"), lambda path: Path(path).read_text())
    return maps, (*demo.scenario.boxes, HERON)


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
    maps, boxes = shipped()
    file = SiteFile(
        format=1,
        site="trial",
        name="Trial",
        intervals=intervals,
        journal=JournalPlace(),
        relays=entries,
    )
    site = Site(file=file, maps=dict(maps), texts={"site.yaml": str(seed)}, sha256=f"{seed:064x}")
    scenario = Scenario(format=1, scenario="trial", seed=seed, boxes=boxes)
    stage = Stage(scenario=scenario, entries=entries, maps=maps)
    assert intervals.status_s is not None
    most_s = POLLS * intervals.status_s / len(entries)
    wanted_s = (hours or random.choice((2, 4, 6))) * 3_600
    settle_s = 3 * intervals.nameplate_s + 3 * intervals.confirm_after_restart_s + 400
    ends = min(most_s, wanted_s) + settle_s
    quiet_from = ends - settle_s  # by then everything is healed
    happens: list[Happens] = []
    windows: list[Window] = []
    for entry in entries:
        story, troubles = _story(random, entry, quiet_from, intervals)
        happens += story
        windows += troubles
        wrongs, troubles = _wrongs(random, entry, quiet_from)
        happens += wrongs
        windows += troubles
    happens.sort(key=lambda one: (one.at, one.relay))
    kills = _windows(random, quiet_from, random.choice((0, 0, 1, 2)), 1, 400)
    failing = _windows(random, quiet_from, random.choice((0, 0, 1)), 5, 300)
    return Drawn(
        seed=seed,
        site=site,
        stage=stage,
        ends=ends,
        happens=tuple(happens),
        windows=tuple(windows),
        kills=kills,
        failing=failing,
        broker_away=_windows(random, quiet_from, random.choice((0, 1, 2)), 5, 900),
        steps=tuple(
            (random.uniform(300, quiet_from), random.choice((-7_200, -30, 30, 3_600)))
            for _ in range(random.choice((0, 0, 1, 2)))
        ),
        drift=random.choice((1.0, 1.0, 1.0001, 0.9999)),
    )


def _fleet(random: Random) -> Iterator[RelayEntry]:
    for number in range(random.randint(2, 5)):
        family = random.choice(tuple(FAMILIES))
        yield RelayEntry(
            id=f"d{number}-{family}",
            bay=f"D{number}",
            function="main 1",
            host=f"127.1.1.{number + 1}",
            maps=FAMILIES[family],
            client_slots=random.choice((1, 2, 3, 4)),
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


def _story(
    random: Random, entry: RelayEntry, until: float, pace: Intervals
) -> tuple[list[Happens], list[Window]]:
    """What truly happens to one relay, one thing after another."""
    happens: list[Happens] = []
    windows: list[Window] = []
    layout = entry.maps[0]
    now = random.uniform(100, 900)
    long_s = 2 * pace.nameplate_s + 2 * pace.confirm_after_restart_s + 300

    def act(after_s: float, one: Act) -> None:
        happens.append(Happens(at=now + after_s, relay=entry.id, act=one))

    while now < until - 600:
        # mostly long enough to be told for certain, sometimes so short that it may be missed
        lasts = (
            random.uniform(long_s, 2 * long_s) if random.random() < 0.8 else random.uniform(1, 90)
        )
        match random.choice(STORIES):
            case "update":
                away, boot = random.uniform(1, 240), random.uniform(0, 60)
                to: dict[str, str | None] = {"swRev": random.choice(VERSIONS[layout])}
                moves = layout == "pike" and random.random() < 0.4
                if moves:
                    layout = "pike-3"
                    to = {"swRev": random.choice(VERSIONS[layout])}
                act(0, Away(how=random.choice(("no_reply", "refuse"))))
                act(1, Write(values=to, map=layout))
                act(away, Boot(running=True))
                act(away, Back(restarted=True))
                act(away + boot, Boot(running=False))
                windows.append(
                    Window(start=now, end=now + away + boot, relay=entry.id, why="update")
                )
                if random.random() < 0.5:
                    flag = "firmware_changed"
                    act(away + boot + 0.5, Flag(flag=flag, standing=True))
                    act(away + boot + random.uniform(1, lasts), Flag(flag=flag, standing=False))
                now += away + boot
            case "settings":
                name, texts = SETTINGS[layout]
                act(0, Write(values={name: random.choice(texts)}, map=layout))
            case "replace":
                serial = f"7{random.randrange(10**7):07}"
                away = random.uniform(60, 400)
                act(0, Away())
                act(1, Write(values={"serNum": serial}, map=layout))
                act(away, Back(restarted=True))
                windows.append(Window(start=now, end=now + away, relay=entry.id, why="replace"))
                now += away
            case "flag":
                flag = random.choice(FLAGS[layout])
                act(0, Flag(flag=flag, standing=True))
                act(lasts, Flag(flag=flag, standing=False))
            case "silent":
                away = random.uniform(1, 900)
                act(0, Away(how=random.choice(("no_reply", "refuse"))))
                act(away, Back(restarted=random.random() < 0.5))
                windows.append(Window(start=now, end=now + away, relay=entry.id, why="silent"))
                now += away
            case "health":
                act(0, Show(health=random.choice((Health.WARNING, Health.ALARM))))
                act(lasts, Show(health=Health.OK))
            case "erase":
                # erased memory is not read, and never a change
                name, texts = SETTINGS[layout]
                if layout in ERASABLE:
                    act(0, Write(values={name: None}, map=layout))
                    act(lasts, Write(values={name: random.choice(texts)}, map=layout))
                    windows.append(Window(start=now, end=now + lasts, relay=entry.id, why="erase"))
            case "mode":
                act(0, Show(behaviour=random.choice((Behaviour.TEST, Behaviour.BLOCKED))))
                act(lasts, Show(behaviour=Behaviour.ON))
        now += lasts + random.uniform(1, long_s)
    last = max((one.at for one in happens), default=0.0)
    if last > until:  # what was begun ends before everything is to be settled
        happens = [one for one in happens if one.at <= until] + [
            Happens(at=until, relay=entry.id, act=one) for one in (Back(), Boot(running=False))
        ]
    return happens, windows


def _wrongs(random: Random, entry: RelayEntry, until: float) -> tuple[list[Happens], list[Window]]:
    """What goes wrong on the way, for a while each."""
    happens: list[Happens] = []
    windows: list[Window] = []
    now = random.uniform(0, 1_800)
    while now < until - 300:
        kinds = REPLY_KINDS if entry.behind_serial else REPLY_KINDS + CONNECTION_KINDS
        kind = random.choice(kinds)
        lasts = min(random.uniform(20, 1_200), until - now)
        plan = Plan(
            kind=kind,
            chance=random.choice((0.05, 0.2, 0.5, 1.0)),
            # what a relay says wrongly under a right header it says once
            times=1 if kind in UNDER_A_RIGHT_HEADER else 0,
            parameters=_parameters(random, kind),
        )
        happens.append(Happens(at=now, relay=entry.id, act=Misbehave(plan=plan)))
        happens.append(Happens(at=now + lasts, relay=entry.id, act=Behave(kind=None)))
        windows.append(Window(start=now, end=now + lasts, relay=entry.id, why=kind))
        now += lasts + random.uniform(200, 4_000)
    return happens, windows


def _parameters(random: Random, kind: str) -> dict[str, float]:
    match kind:
        case "delay":
            return {"seconds": random.uniform(0.1, 5), "jitter_s": random.uniform(0, 3)}
        case "exception":
            return {"code": float(random.choice((1, 2, 3, 4, 5, 6, 8, 10, 11)))}
        case "slots":
            return {"slots": 0.0}
        case "idle_close":
            return {"seconds": random.uniform(1, 30)}
        case _:
            return {}
