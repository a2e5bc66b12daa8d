"""Times of a run as the oracle of alarms needs them: in seconds of the loop, the dead time told."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cached_property
from itertools import pairwise
from typing import Final, TypeAlias

from poller.edges.clock import LOOK_EVERY_S
from poller.journal.waiting import AGAIN_S
from poller.model import limits
from poller.model.events import ClockStepped, ServiceStarted
from tests.trials.trial import Ran

Part: TypeAlias = tuple[float, float]
"""From a time to another, in seconds of the loop."""
FOREVER: Final = float("inf")
TOL_S: Final = 1.0  # drift of a delay, and how its end is rounded
LOOK_S: Final = 5.0  # alarms are looked at so often
LATE_S: Final = LOOK_S + TOL_S
ASKED_AGAIN_S: Final = (
    120.0  # so long a new process has to ask relays whose delay ran out before it
)


@dataclass(frozen=True)
class Times:
    ran: Ran

    @cached_property
    def of(self) -> dict[int, float]:
        """When each event was decided on, by seq; it became durable later.

        A clock that is set back shows some times twice: each was before what comes after it.
        """
        found: dict[int, float] = {}
        next_s = FOREVER
        for one in reversed(self.ran.events):
            at = one.event.at
            fits = self._showed(at, self.ran.durable_at[one.seq])
            first = [time for time in fits if time <= next_s + TOL_S]
            next_s = max(first or fits, default=self.ran.durable_at[one.seq])
            found[one.seq] = next_s
        return found

    @property
    def ends(self) -> float:
        return self.ran.lives[-1][1]

    def wall(self, loop: float) -> datetime:
        by_s = sum(by for at, by in self.ran.drawn.steps if at <= loop)
        return self.ran.drawn_start + timedelta(seconds=loop * self.ran.drawn.drift + by_s)

    def loop(self, wall: datetime, before: float) -> float:
        """The last time before this one at which the wall clock showed that; else `before`."""
        return max(self._showed(wall, before), default=before)

    def _showed(self, wall: datetime, before: float) -> list[float]:
        """Every time before this one at which the wall clock showed that."""
        told = [(wall - self.wall(at)).total_seconds() / self.ran.drawn.drift + at
                for at, _ in self._segments]  # fmt: skip
        return [
            time
            for time, (start, end) in zip(told, self._segments, strict=True)
            if start - 0.002 <= time <= min(end, before + 0.002)
        ]

    def read(self, told: datetime, at: float) -> float:
        """When that was, as an event told it that was decided on at that time, by its clock."""
        return at - (self.wall(at) - told).total_seconds() / self.ran.drawn.drift

    def until(self, wall: datetime) -> list[Part]:
        """When the wall clock shows less than that."""
        found = []
        for start, end in self._segments:
            left_s = (wall - self.wall(start)).total_seconds() / self.ran.drawn.drift
            if left_s > 0:
                found.append((start, min(end, start + left_s)))
        return joined(found)

    @cached_property
    def _segments(self) -> list[Part]:
        """Between the times at which the wall clock is set."""
        return list(pairwise([0.0, *sorted(at for at, _ in self.ran.drawn.steps), FOREVER]))

    def stepped(self, start: float, end: float) -> bool:
        """The wall clock was set within it and nobody saw, so that a delay may have any length."""
        return any(start <= at <= end and not self._seen(at) for at, _ in self.ran.drawn.steps)

    def seems_s(self, start: float, end: float) -> float:
        """How long that was to the poller, which reckons with what it saw of the wall clock."""
        seen_s = sum(by for at, by in self.ran.drawn.steps if start <= at <= end and self._seen(at))
        return (self.wall(end) - self.wall(start)).total_seconds() - seen_s

    def _seen(self, step: float) -> bool:
        """By a poller that went on for long enough to look; one that was killed before that may
        have looked, and says so then."""
        end = next((end for start, end in self.lives if start <= step <= end), step)
        told = any(step <= at <= end for at in self._told_steps)
        return told or step < end - LOOK_EVERY_S

    @cached_property
    def _told_steps(self) -> list[float]:
        return [
            self.ran.durable_at[one.seq]
            for one in self.ran.events
            if isinstance(one.event.body, ClockStepped)
        ]

    def set_between(self, start: float, end: float) -> bool:
        """The wall clock was, so that what was read before seems to be of another time."""
        return any(start <= at <= end for at, _ in self.ran.drawn.steps)

    @cached_property
    def lives(self) -> list[Part]:
        """When a process ran of which all that it decided came into the journal."""
        began = [
            self.ran.durable_at[one.seq]
            for one in self.ran.events
            if isinstance(one.event.body, ServiceStarted)
        ]
        found = []
        for start, end in self.ran.lives[:-1]:
            if not any(start <= at <= end for at in began):
                continue
            stuck = [a for a, b in self.ran.drawn.failing if a < end <= b + 5]
            found.append((start, min([end - TOL_S, *stuck])))
        return [*found, self.ran.lives[-1]]

    def _judged(self, late: float) -> float:
        """Or once it is judged again: with so many events waiting that none more may, it rests."""
        for start, end in self.pauses:
            if start <= late < end + LATE_S:
                late = end + LATE_S
        return late

    @cached_property
    def pauses(self) -> list[Part]:
        """When judging may pause, since nothing can be committed and few events may wait."""
        drawn = self.ran.drawn
        few = drawn.waiting_max < limits.EVENTS_WAITING_MAX
        return [(start, end + AGAIN_S + TOL_S) for start, end in drawn.failing] if few else []

    def due(
        self, start: float, delay_s: float, again_s: float = 0.0, seen_s: float = 0.0
    ) -> float | None:
        """When at the latest a delay from `start` on is seen to be over; None: it need not be.

        again_s: how long it runs on where it ran out before a process began. seen_s: how much
        later than that it may have begun.
        """
        first = start + delay_s
        last = first + seen_s
        for begin, end in self.lives:
            if end < start:
                continue
            if begin > first:
                first = last = begin + again_s
            elif begin > first - LATE_S:  # it may have begun that much before
                last = max(last, begin + again_s)
            late = self._judged(last + LATE_S)
            if late <= end:
                return None if self.stepped(start, late) else late
        return None


def joined(parts: Iterable[Part]) -> list[Part]:
    """In order, and those that meet as one."""
    found: list[Part] = []
    for start, end in sorted(parts):
        if found and start <= found[-1][1]:
            found[-1] = (found[-1][0], max(end, found[-1][1]))
        elif start < end:
            found.append((start, end))
    return found


def common(one: Iterable[Part], other: Iterable[Part]) -> list[Part]:
    others = list(other)
    return joined(
        (max(a, c), min(b, d)) for a, b in one for c, d in others if max(a, c) < min(b, d)
    )


def without(parts: Iterable[Part], holes: Iterable[Part]) -> list[Part]:
    """What is left of the parts."""
    left = joined(parts)
    for a, b in holes:
        left = [
            (start, end)
            for c, d in left
            for start, end in ((c, min(d, a)), (max(c, b), d))
            if start < end
        ]
    return left


def within(parts: Iterable[Part], at: float) -> Iterator[Part]:
    """Those in which that time lies."""
    return (one for one in parts if one[0] <= at < one[1])
