"""A story as cues in the order of their times: what is done, to which relay, when."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from fnmatch import fnmatchcase
from typing import TypeAlias

from poller.model.status import Behaviour, Health
from simulator.acts import Act, Away, Back, Behave, Boot, Flag, Misbehave, Show, Write
from simulator.misbehaviour import Plan
from simulator.scenario import (
    Busy,
    FirmwareUpdate,
    FlagCleared,
    FlagRaised,
    HealthTurns,
    Misbehaves,
    Replaced,
    Scenario,
    Scene,
    SettingsChange,
    Silent,
    TestMode,
)

NewSerial: TypeAlias = Callable[[str], str | None]
"""A serial number that no relay has yet, for the box that comes to this relay's position."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cue:
    """at_s: of the story. scene: which one of the file, from 0, so that a fault finds its line."""

    at_s: float
    relay: str
    act: Act
    scene: int


@dataclass(slots=True)
class Story:
    """cues: in the order of their times."""

    cues: Sequence[Cue]
    ends_s: float
    _done: int = field(default=0)

    @property
    def next_s(self) -> float | None:
        """When something happens next; None when all has happened."""
        return self.cues[self._done].at_s if self._done < len(self.cues) else None

    def due(self, story_s: float) -> Iterator[Cue]:
        """What is due by then and was not given out yet."""
        while self._done < len(self.cues) and self.cues[self._done].at_s <= story_s:
            self._done += 1
            yield self.cues[self._done - 1]


def write_story(scenario: Scenario, relays: Sequence[str], new_serial: NewSerial) -> Story:
    """The cues of every scene, for every relay that it names."""
    cues = [
        Cue(at_s=at_s, relay=relay, act=act, scene=number)
        for number, scene in enumerate(scenario.story)
        for relay in meant(scene.relay, relays)
        for at_s, act in _acts(scene, relay, new_serial)
    ]
    cues.sort(key=lambda cue: cue.at_s)  # stable: what a scene does at one time keeps its order
    last = cues[-1].at_s if cues else 0.0
    return Story(cues, ends_s=last if scenario.ends_s is None else scenario.ends_s)


def meant(pattern: str, relays: Iterable[str]) -> list[str]:
    """The relays that an id, or a pattern with * and ?, names."""
    return [relay for relay in relays if fnmatchcase(relay, pattern)]


def _acts(scene: Scene, relay: str, new_serial: NewSerial) -> Iterator[tuple[float, Act]]:
    at = scene.at
    match scene:
        case FirmwareUpdate(away_s=away_s, boot_s=boot_s):
            yield from _return(scene, boot_s, Write(values=scene.to, map=scene.map))
            cleared = scene.flag_cleared_after_s
            yield from _flag(at + away_s + boot_s, scene.flag, cleared)
        case SettingsChange():
            yield at, Write(values=scene.to)
            yield from _flag(at, scene.flag, scene.flag_cleared_after_s)
        case Replaced():
            serial = new_serial(relay)
            values = ({} if serial is None else {"serNum": serial}) | scene.to
            yield from _return(scene, 0, Write(values=values, map=scene.map))
        case Silent(until=until, how=how):
            yield at, Away(how=how)
            if until is not None:
                yield until, Back(restarted=scene.restarted)
        case Busy(until=until):
            yield at, Misbehave(plan=Plan(kind="busy"))
            if until is not None:
                yield until, Behave(kind="busy")
        case FlagRaised(flag=flag) | FlagCleared(flag=flag):
            yield at, Flag(flag=flag, standing=isinstance(scene, FlagRaised))
        case TestMode(behaviour=behaviour, until=until):
            yield at, Show(behaviour=Behaviour[behaviour.upper()])
            if until is not None:
                yield until, Show(behaviour=Behaviour.ON)
        case HealthTurns(health=health):
            yield at, Show(health=Health[health.upper()])
        case Misbehaves(kind=kind, until=until):
            plan = Plan(
                kind=kind, chance=scene.chance, times=scene.times, parameters=scene.parameters
            )
            yield at, Misbehave(plan=plan)
            if until is not None:
                yield until, Behave(kind=kind)


def _return(
    scene: FirmwareUpdate | Replaced, boot_s: float, write: Write
) -> Iterator[tuple[float, Act]]:
    """Away, and back as another; the boot program speaks first, where it has time to."""
    if scene.away_s > 0:
        yield scene.at, Away(how=scene.how)
    back = scene.at + scene.away_s
    if boot_s > 0:
        yield back, Boot(running=True)
        yield back, write
        yield back, Back()
        yield back + boot_s, Boot(running=False)
    else:
        yield back, write
        yield back, Back(restarted=True)


def _flag(
    at: float, flag: str | None, cleared_after_s: float | None
) -> Iterator[tuple[float, Act]]:
    if flag is None:
        return
    yield at, Flag(flag=flag, standing=True)
    if cleared_after_s is not None:
        yield at + cleared_after_s, Flag(flag=flag, standing=False)
