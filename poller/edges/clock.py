"""Now. The only place that asks a clock; everything else is told."""

from __future__ import annotations

import time
from datetime import UTC, datetime
from typing import Final, Protocol

from poller.judging.findings import MS, Moment

LOOK_EVERY_S: Final = 10.0
SOON_S: Final = 0.001  # a loop's timers may be early by as much


class Clock(Protocol):
    """mono never steps; utc may, and comes in whole milliseconds, as records keep it."""

    def mono(self) -> float: ...

    def utc(self) -> datetime: ...


class SystemClock:
    mono = staticmethod(time.monotonic)

    @staticmethod
    def utc() -> datetime:
        """datetime.replace would take twice as long as asking."""
        return datetime.fromtimestamp(time.time_ns() // 1_000_000 / 1_000, UTC)


def moment(clock: Clock) -> Moment:
    return Moment(clock.mono(), clock.utc())


class Steps:
    """Tells how far the wall clock was set since it was looked at last."""

    def __init__(self, clock: Clock) -> None:
        self._clock, self._before = clock, moment(clock)

    def by_ms(self) -> int | None:
        """Milliseconds, forward is positive; None: it was not set."""
        before, self._before = self._before, moment(self._clock)
        by = self._before.clock_set(before)
        return None if by is None else round(by / MS)
