"""Looks at what may be late. Nearly nothing is, and a look may come a little later itself: so all
share one timer of the loop, and thousands of connections do not need thousands.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable
from dataclasses import dataclass, field
from heapq import heappop, heappush
from typing import Final

import structlog

log = structlog.get_logger()
TICK_S: Final = 1 / 16


@dataclass(slots=True)
class Deadlines:
    """Made inside its event loop."""

    _loop: asyncio.AbstractEventLoop = field(default_factory=asyncio.get_running_loop)
    _looks: dict[int, list[Callable[[], None]]] = field(default_factory=dict)  # by tick
    _ticks: list[int] = field(default_factory=list)  # those of them, as heapq keeps them
    _timer: asyncio.TimerHandle | None = None

    def look_in(self, delay_s: float, look: Callable[[], None]) -> None:
        """look: called once, a tick late at most, and hardly ever early."""
        tick = math.ceil((self._loop.time() + delay_s) / TICK_S)
        there = self._looks.get(tick)
        if there is not None:
            there.append(look)
            return
        self._looks[tick] = [look]
        heappush(self._ticks, tick)
        if self._ticks[0] == tick:
            self._wake()

    def _wake(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
        self._timer = self._loop.call_at(self._ticks[0] * TICK_S, self._tick)

    def _tick(self) -> None:
        self._timer = None
        looks = self._looks.pop(heappop(self._ticks))
        if self._ticks:
            self._wake()
        for look in looks:
            try:
                look()
            except Exception:  # a fault of ours over one must not hold up all the others
                log.exception("look_failed")
