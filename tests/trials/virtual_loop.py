"""An event loop in which time passes only when nobody has anything to do.

No selector waits and no socket exists: when all tasks sleep, the clock jumps to the next timer.
Ties fire in the order they were set, so that a run is the same every time.
"""

from __future__ import annotations

import asyncio
import heapq
import selectors
from collections import deque
from collections.abc import Callable, Coroutine, Mapping
from contextvars import Context
from itertools import count
from typing import Any, Final, TypeVar

T = TypeVar("T")
RESOLUTION_S: Final = 1e-6


class Deadlock(RuntimeError):
    """Every task waits for another one, and no timer is set."""


class _NoSockets(selectors.BaseSelector):
    """Stands where a selector stands; nobody ever waits on it."""

    def __init__(self) -> None:
        self._keys: dict[Any, selectors.SelectorKey] = {}

    def register(self, fileobj: Any, events: int, data: Any = None) -> selectors.SelectorKey:
        number = fileobj if isinstance(fileobj, int) else fileobj.fileno()
        key = self._keys[fileobj] = selectors.SelectorKey(fileobj, number, events, data)
        return key

    def unregister(self, fileobj: Any) -> selectors.SelectorKey:
        return self._keys.pop(fileobj)

    def get_map(self) -> Mapping[Any, selectors.SelectorKey]:
        return self._keys

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        raise AssertionError("the virtual loop has its own way of waiting")


class VirtualLoop(asyncio.SelectorEventLoop):
    """Time starts at 0 and is counted in microseconds' resolution."""

    _ready: deque[asyncio.Handle]

    def __init__(self) -> None:
        super().__init__(_NoSockets())
        self._now = 0.0
        self._serials = count()
        # equal deadlines fire in the order in which they were set
        self._timers: list[tuple[float, int, asyncio.TimerHandle]] = []

    def time(self) -> float:
        return self._now

    def call_at(
        self,
        when: float,
        callback: Callable[..., object],
        *args: Any,
        context: Context | None = None,
    ) -> asyncio.TimerHandle:
        timer = asyncio.TimerHandle(when, callback, args, self, context)
        heapq.heappush(self._timers, (when, next(self._serials), timer))
        return timer

    def call_later(
        self,
        delay: float,
        callback: Callable[..., object],
        *args: Any,
        context: Context | None = None,
    ) -> asyncio.TimerHandle:
        return self.call_at(self._now + delay, callback, *args, context=context)

    def _timer_handle_cancelled(self, handle: asyncio.TimerHandle) -> None:
        """It is passed over when its time comes."""

    def _run_once(self) -> None:
        """What asyncio's loop does in one turn, with a clock that jumps in place of a wait."""
        ready, timers = self._ready, self._timers
        while timers and timers[0][2].cancelled():
            heapq.heappop(timers)
        if not ready and not self._stopping:  # type: ignore[attr-defined]
            if not timers:
                waiting = sorted(task.get_name() for task in asyncio.all_tasks(self))
                raise Deadlock(f"nobody moves and no timer is set: {', '.join(waiting)}")
            self._now = max(self._now, timers[0][0])
        while timers and timers[0][0] <= self._now + RESOLUTION_S:
            ready.append(heapq.heappop(timers)[2])
        for _ in range(len(ready)):
            handle = ready.popleft()
            if not handle.cancelled():
                handle._run()

    def run_in_executor(self, *_: Any) -> Any:
        raise RuntimeError("a thread lives in real time; nothing in a trial may start one")


def run(main: Coroutine[Any, Any, T]) -> T:
    """Runs it in a loop of its own; returns in real time at once, however long it sleeps."""
    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        return runner.run(main)
