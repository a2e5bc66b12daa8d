"""An event loop in which time passes only when nobody has anything to do.

No selector waits and no socket exists: when all tasks sleep, the clock jumps to the next timer.
Ties fire in the order they were set, so that a run is the same every time.
"""

from __future__ import annotations

import asyncio
import heapq
import selectors
from asyncio import events
from collections.abc import Callable, Coroutine, Mapping
from contextvars import Context
from itertools import count
from typing import Any, TypeVar

T = TypeVar("T")


class Deadlock(RuntimeError):
    """Every task waits for another one, and no timer is set."""


class _NoSockets(selectors.BaseSelector):
    """Stands where a selector stands; waiting is moving the clock."""

    def __init__(self) -> None:
        self.now = 0.0
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
        if timeout is None:
            waiting = sorted(
                task.get_name() for task in asyncio.all_tasks(events._get_running_loop())
            )
            raise Deadlock(f"nobody moves and no timer is set: {', '.join(waiting)}")
        self.now += max(0.0, timeout)
        return []


class _Timer(asyncio.TimerHandle):
    """Equal deadlines fire in the order in which they were set."""

    serial = 0

    def __lt__(self, other: object) -> bool:
        assert isinstance(other, _Timer)
        return (self._when, self.serial) < (other._when, other.serial)  # type: ignore[attr-defined]


class VirtualLoop(asyncio.SelectorEventLoop):
    """Time starts at 0 and is counted in microseconds' resolution."""

    def __init__(self) -> None:
        self._sky = _NoSockets()
        super().__init__(self._sky)
        self._clock_resolution = 1e-6
        self._serials = count()

    def time(self) -> float:
        return self._sky.now

    def call_at(
        self,
        when: float,
        callback: Callable[..., object],
        *args: Any,
        context: Context | None = None,
    ) -> asyncio.TimerHandle:
        timer = _Timer(when, callback, args, self, context)
        timer.serial = next(self._serials)
        heapq.heappush(self._scheduled, timer)  # type: ignore[attr-defined]
        timer._scheduled = True  # type: ignore[attr-defined]
        return timer

    def call_later(
        self,
        delay: float,
        callback: Callable[..., object],
        *args: Any,
        context: Context | None = None,
    ) -> asyncio.TimerHandle:
        return self.call_at(self.time() + delay, callback, *args, context=context)

    def run_in_executor(self, *_: Any) -> Any:
        raise RuntimeError("a thread lives in real time; nothing in a trial may start one")


def run(main: Coroutine[Any, Any, T]) -> T:
    """Runs it in a loop of its own; returns in real time at once, however long it sleeps."""
    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        return runner.run(main)
