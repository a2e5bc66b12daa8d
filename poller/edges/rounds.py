"""Waiting for who is due next, and the visits that are as all before them, without a task's help.

Nearly every visit is one request whose reply says what the last one said. Those are made here by
call-backs alone, one after the other, which costs a third of what a dialogue does; the moment that
anything else comes up, the round is over and says what is to be visited.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Protocol

import structlog

from poller.edges.clock import SOON_S, Clock
from poller.edges.wire import Done, End
from poller.judging.findings import Moment
from poller.judging.watch import Heard, Watch
from poller.reading.exchange import Outcome
from poller.reading.frames import Request

log = structlog.get_logger()


class Asks(Protocol):
    """The part of a link that the schedule needs."""

    async def ask(self, unit: int, request: Request, timeout_s: float) -> Outcome: ...

    def begin(
        self, unit: int, request: Request, timeout_s: float, now: float, done: Done
    ) -> bool: ...

    def outcome(self, request: Request, end: End) -> Outcome: ...

    async def close(self) -> None: ...


@dataclass(slots=True, kw_only=True)
class Unit:
    """A relay behind this host:port. unit: its unit id on the wire."""

    relay: str
    unit: int
    watch: Watch
    paused: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """A relay whose turn it is. heard: the answer to its routine request, where that was made
    already; started: monotonic seconds at which it was."""

    unit: Unit
    heard: Heard | None = None
    started: float = 0.0


@dataclass(slots=True, kw_only=True)
class Rounds:
    """held: the connection stays open whoever is due; where not, stays_open says whether it does
    until that one is, and the round is over where it does not. visits: how many were made here."""

    link: Asks
    units: Sequence[Unit]
    clock: Clock
    held: bool
    stays_open: Callable[[Unit | None], bool]
    visits: int = 0
    _over: asyncio.Future[Visit | None] | None = None
    _timer: asyncio.TimerHandle | None = None
    _asked: tuple[Unit, Request, float] | None = None  # what is under way, and since when
    _interrupted: bool = False
    _hears: Done = field(init=False)
    _loop: asyncio.AbstractEventLoop = field(default_factory=asyncio.get_running_loop)

    def __post_init__(self) -> None:
        self._hears = self._answered  # bound once, and not for each request

    async def go(self) -> Visit | None:
        """Returns what is to be visited. None: something else came up, or the line is to close."""
        self._over = self._loop.create_future()
        self._interrupted = False
        self._turn_to(self.next(), self.clock.mono())
        try:
            return await self._over
        finally:
            self._over = self._asked = None
            if self._timer is not None:
                self._timer.cancel()

    def interrupt(self) -> None:
        """There is something else to do, once the exchange under way has ended."""
        self._interrupted = True
        if self._asked is None:
            self._end(None)

    def next(self) -> Unit | None:
        """Who is due first; None: all are paused."""
        if len(self.units) == 1:
            return None if self.units[0].paused else self.units[0]
        asked = [unit for unit in self.units if not unit.paused]
        return min(asked, key=lambda unit: unit.watch.due, default=None)

    def failed(self, unit: Unit) -> None:
        """A fault of ours over one relay's answers must not end the polling of all the others."""
        log.exception("visit_failed", relay=unit.relay)
        later = self.clock.mono() + unit.watch.pace.status_s
        unit.watch.next_status = unit.watch.next_nameplate = later

    def _woken(self) -> None:
        self._timer = None
        self._turn_to(self.next(), self.clock.mono())

    def _turn_to(self, unit: Unit | None, now: float) -> None:
        """Waits until it is due, or asks. now: monotonic seconds."""
        if unit is None or self._over is None or self._over.done():
            return  # until somebody interrupts, or has done so already
        watch = unit.watch
        try:
            request = watch.routine(now)
            timeout_s = watch.pace.reply_timeout_s
            if request is not None and self.link.begin(
                unit.unit, request, timeout_s, now, self._hears
            ):
                self._asked = unit, request, now
            elif watch.due > now:
                delay = max(watch.due - now, SOON_S)  # never early
                self._timer = self._loop.call_later(delay, self._woken)
            else:
                self._end(Visit(unit=unit))
        except Exception:
            self.failed(unit)
            self._end(None)

    def _answered(self, end: End, at: float) -> None:
        if self._asked is None:
            return  # nobody waits for it any more
        (unit, request, started), self._asked = self._asked, None
        try:
            if unit.paused:
                self._end(None)
            elif isinstance(end, bytes) and unit.watch.unchanged(end, started, at):
                self.visits += 1
                following = unit if len(self.units) == 1 else self.next()
                if self._interrupted or not (self.held or self.stays_open(following)):
                    self._end(None)
                else:
                    self._turn_to(following, at)
            elif isinstance(end, ConnectionResetError):
                self._end(Visit(unit=unit))  # while it idled, maybe: it is asked on another
            else:
                outcome = self.link.outcome(request, end)
                heard = Heard(outcome=outcome, at=Moment(at, self.clock.utc()))
                self._end(Visit(unit=unit, heard=heard, started=started))
        except Exception:
            self.failed(unit)
            self._end(None)

    def _end(self, visit: Visit | None) -> None:
        if self._over is not None and not self._over.done():
            self._over.set_result(visit)
