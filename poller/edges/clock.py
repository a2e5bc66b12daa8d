"""Now. The only place that asks a clock; everything else is told."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator
from datetime import UTC, datetime
from typing import Final, Protocol

from poller.judging.findings import Moment
from poller.model.canonical import whole_ms

STEP_S: Final = 2.0  # a wall clock this far from the monotonic one has been set, not disciplined
LOOK_EVERY_S: Final = 10.0


class Clock(Protocol):
    """The trial's clock keeps the same two promises: mono never steps, utc may."""

    def mono(self) -> float: ...

    def utc(self) -> datetime: ...


class SystemClock:
    def mono(self) -> float:
        return time.monotonic()

    def utc(self) -> datetime:
        return datetime.now(UTC)


def moment(clock: Clock) -> Moment:
    return Moment(mono=clock.mono(), utc=whole_ms(clock.utc()))


async def steps(clock: Clock) -> AsyncIterator[int]:
    """Milliseconds by which the wall clock was set, each time it was; forward is positive."""
    before = moment(clock)
    while True:
        await asyncio.sleep(LOOK_EVERY_S)
        after = moment(clock)
        by_s = (after.utc - before.utc).total_seconds() - (after.mono - before.mono)
        if abs(by_s) >= STEP_S:
            yield round(by_s * 1000)
        before = after
