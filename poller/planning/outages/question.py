"""What a plan is to answer: steps, the windows they may go into, and what holds between them.

Plain values with indices, so that whoever plans (greedily, by solver, by hand in a test) needs no
site. A unit is placed whole or not at all: all steps of one firmware's way, or, at the two ends of
a line, of both ends in one window.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final, TypeAlias

PILOTS_MAX: Final = 10  # of a family, of which a plan may choose one
NEVER_DAYS: Final = 365  # after the last window: what is not placed counts as done then
Place: TypeAlias = tuple[int, int]
"""A window, by its index, and one of the teams that work in it at once."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Slot:
    """A window as planned with. minutes: for each of its teams. days: from now until its end."""

    id: str
    start: datetime
    end: datetime
    bays: frozenset[str]
    groups: frozenset[str]
    teams: int
    minutes: int
    days: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """Why a step can't go into a window: rule is stable, says is a clause for people."""

    rule: str
    says: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """job: its index. bars: of every window that can't be, whatever else is planned."""

    job: int
    relay: str
    version_from: str
    to: str
    direction: str
    minutes: int
    bars: dict[int, Bar]


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One firmware of a relay and its way to the target. steps: indices, in order.

    weight: of a day of waiting. after: the job of the same relay that comes before; None: none.
    """

    relay: str
    bay: str
    family: str
    attribute: str
    target: str
    weight: int
    steps: tuple[int, ...]
    after: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Family:
    """named: the relay that is to be its pilot; None: one of those that can be done first.

    free_from: the hold of a pilot that was there before this plan ends then; None: there was none.
    """

    id: str
    named: str | None
    free_from: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """Two relays that stand in for one another. soak: between the end of one and the other."""

    group: str
    one: str
    other: str
    soak: timedelta
    both_in: frozenset[int]  # windows that they may share

    def clash(self, question: Question, window: int, other: int) -> bool:
        """Whether one may not be out in this window, and the other in that."""
        if window == other:
            return window not in self.both_in
        a, b = question.slots[window], question.slots[other]
        return max(a.start, b.start) - min(a.end, b.end) < self.soak


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit:
    """jobs: indices. together: all of their steps in one window."""

    jobs: tuple[int, ...]
    together: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """slots: by start. hold: of a pilot, before others of its family."""

    now: datetime
    slots: tuple[Slot, ...]
    steps: tuple[Step, ...]
    jobs: tuple[Job, ...]
    units: tuple[Unit, ...]
    families: tuple[Family, ...]
    pairs: tuple[Pair, ...]
    hold: timedelta

    @property
    def never(self) -> int:
        return max((slot.days for slot in self.slots), default=0) + NEVER_DAYS

    def places(self, step: int) -> list[Place]:
        """Those that its bars leave, the first to end first."""
        bars = self.steps[step].bars
        left = [at for at in range(len(self.slots)) if at not in bars]
        left.sort(key=lambda at: (self.slots[at].end, at))
        return [(at, team) for at in left for team in range(self.slots[at].teams)]

    def pilots(self, family: Family) -> tuple[int, ...]:
        """Units that may be its pilot: the named one, else those with the first windows."""
        found: list[tuple[datetime, int]] = []
        for at, unit in enumerate(self.units):
            jobs = [self.jobs[job] for job in unit.jobs]
            ours = [job for job in jobs if job.family == family.id]
            named = family.named in (None, *(job.relay for job in jobs))
            if ours and named and (places := self.places(ours[-1].steps[-1])):
                found.append((self.slots[places[0][0]].end, at))
        return tuple(at for _, at in sorted(found)[:PILOTS_MAX])

    def follows(self, first: Place, then: Place) -> bool:
        """Whether a step there comes after one here: by the same team, or in a later window."""
        return first == then or self.slots[first[0]].end <= self.slots[then[0]].start

    def unit_of(self) -> dict[int, int]:
        """Job to unit."""
        return {job: at for at, unit in enumerate(self.units) for job in unit.jobs}

    def cost(self, where: Sequence[Place | None]) -> int:
        """Days until done, each times what a day of waiting counts; of all jobs."""
        total = 0
        for job in self.jobs:
            last = where[job.steps[-1]]
            total += job.weight * (self.never if last is None else self.slots[last[0]].days)
        return total
