"""Who is asked next: one task for each host:port, its relays in turn, each when it is due."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from random import Random
from typing import Final, Protocol, TypeAlias

import structlog

from poller.edges.clock import Clock, moment
from poller.edges.progress import Part
from poller.judging.findings import Finding
from poller.judging.watch import Heard, Watch
from poller.model import limits
from poller.model.backoff import backoff_s
from poller.reading.exchange import NoReply, Outcome
from poller.reading.frames import Request
from poller.site.settings import HELD_FROM_SLOTS

log = structlog.get_logger()
ABSENT_FIRST_S: Final = 15.0  # a unit that a gateway can't reach holds up the others for a time-out
ABSENT_CAP_S: Final = 300.0
ENDED: Final = "this connection is no longer polled"
NEXT_UNIT_S: Final = 1.0  # unless another unit of the gateway is due so soon
SLACK_S: Final = 30.0  # a busy computer is late without being stuck


class Asks(Protocol):
    """The part of a link that the schedule needs."""

    async def ask(self, unit: int, request: Request, timeout_s: float) -> Outcome: ...

    async def close(self) -> None: ...


@dataclass(slots=True, kw_only=True)
class Unit:
    """A relay behind this host:port. unit: its unit id on the wire."""

    relay: str
    unit: int
    watch: Watch
    paused: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Errand:
    """A single request of a person at the command line, to be made through this connection."""

    unit: int
    request: Request
    timeout_s: float
    answer: asyncio.Future[Outcome]


Told: TypeAlias = Callable[[Unit, tuple[Finding, ...]], None]


@dataclass(slots=True, kw_only=True)
class Endpoint:
    """told: called after each visit with what came to be believed."""

    link: Asks
    units: Sequence[Unit]
    clock: Clock
    random: Random
    gateway: bool
    slots: int
    told: Told
    turns: int = 0  # requests that ended, and visits
    _wake: asyncio.Event = field(default_factory=asyncio.Event)
    _errands: deque[Errand] = field(default_factory=deque)
    _errand_s: float = 0.0  # how long the one under way may wait: a person says so

    async def run(self) -> None:
        try:
            while True:
                if self._errands:
                    await self._run_errand(self._errands.popleft())
                    continue
                unit = self._next()
                if not await self._due(unit) or unit is None:
                    continue
                await self._guarded(unit)
                if not self._stays_open():
                    await self.link.close()
        finally:
            while self._errands:
                _answer(self._errands.popleft(), NoReply(reason=ENDED))
            await self.link.close()

    async def errand(self, unit: int, request: Request, timeout_s: float) -> Outcome:
        """Asks between two visits; no second connection is opened."""
        if len(self._errands) >= limits.ERRANDS_MAX:
            return NoReply(reason="too many requests are waiting for this connection already")
        answer: asyncio.Future[Outcome] = asyncio.get_running_loop().create_future()
        self._errands.append(Errand(unit=unit, request=request, timeout_s=timeout_s, answer=answer))
        self._wake.set()
        return await answer

    def part(self, name: str) -> Part:
        """For the watch over progress."""
        unit = self._next()
        paces = [one.watch.pace for one in self.units]
        timeout_s = max(self._errand_s, *(pace.reply_timeout_s for pace in paces))
        rest_s = max(pace.rest_ms for pace in paces) / 1000
        return Part(
            name=name,
            owes=unit is not None and unit.watch.due <= self.clock.mono(),
            turns=self.turns,
            # it connects and asks, and does both again where the connection had been closed
            patience_s=4 * timeout_s + 2 * rest_s + SLACK_S,
        )

    async def set_paused(self, relay: str, paused: bool) -> None:
        """Pausing frees the relay's client slot at once: a visit under way is given up.

        One that is polled again is looked at at once, since somebody may have worked on it.
        """
        for unit in self.units:
            if unit.relay == relay:
                if unit.paused and not paused:
                    unit.watch.look_again(self.clock.mono())
                unit.paused = paused
        self._wake.set()
        if all(unit.paused for unit in self.units):
            await self.link.close()

    def _next(self) -> Unit | None:
        if len(self.units) == 1:
            return None if self.units[0].paused else self.units[0]
        asked = [unit for unit in self.units if not unit.paused]
        return min(asked, key=lambda unit: unit.watch.due, default=None)

    async def _due(self, unit: Unit | None) -> bool:
        """Waits until the unit is due; False when something else came up. None: all are paused."""
        delay = None if unit is None else unit.watch.due - self.clock.mono()
        if delay is not None and delay <= 0:
            return True
        self._wake.clear()
        try:
            async with asyncio.timeout(delay):
                await self._wake.wait()
        except TimeoutError:
            return True
        return False

    async def _guarded(self, unit: Unit) -> None:
        """A fault of ours over one relay's answers must not end the polling of all the others."""
        try:
            await self._visit(unit)
        except Exception:
            log.exception("visit_failed", relay=unit.relay)
            later = self.clock.mono() + unit.watch.pace.status_s
            unit.watch.next_status = unit.watch.next_nameplate = later
        self.turns += 1

    async def _visit(self, unit: Unit) -> None:
        watch, started = unit.watch, moment(self.clock)
        heard: Heard | None = None
        routine = watch.routine(started.mono)
        if routine is not None:
            heard = await self._heard(unit, routine)
            if unit.paused:
                return
            if watch.unchanged(heard, started):
                self.told(unit, ())
                return
        dialogue = watch.poll(started)
        try:
            request = next(dialogue)
            while True:
                if heard is None:
                    heard = await self._heard(unit, request)
                    if unit.paused:
                        dialogue.close()
                        return
                request, heard = dialogue.send(heard), None
        except StopIteration as end:
            found: tuple[Finding, ...] = end.value
        if watch.misses and self.gateway:
            watch.next_status = max(
                watch.next_status,
                self.clock.mono()
                + backoff_s(
                    watch.misses, first_s=ABSENT_FIRST_S, cap_s=ABSENT_CAP_S, random=self.random
                ),
            )
            watch.next_nameplate = max(watch.next_nameplate, watch.next_status)
        self.told(unit, found)

    async def _heard(self, unit: Unit, request: Request) -> Heard:
        outcome = await self.link.ask(unit.unit, request, unit.watch.pace.reply_timeout_s)
        self.turns += 1
        return Heard(outcome=outcome, at=moment(self.clock))

    async def _run_errand(self, errand: Errand) -> None:
        outcome: Outcome = NoReply(reason=ENDED)
        self._errand_s = errand.timeout_s
        try:
            outcome = await self.link.ask(errand.unit, errand.request, errand.timeout_s)
            self.turns += 1
        finally:
            self._errand_s = 0.0
            _answer(errand, outcome)
        if not self._stays_open():
            await self.link.close()

    def _stays_open(self) -> bool:
        if self._errands:
            return True
        if self.slots >= HELD_FROM_SLOTS:
            return not all(unit.paused for unit in self.units)
        unit = self._next()
        return (
            len(self.units) > 1
            and unit is not None
            and unit.watch.due - self.clock.mono() < NEXT_UNIT_S
        )


def _answer(errand: Errand, outcome: Outcome) -> None:
    """Whoever waits may have given up."""
    if not errand.answer.done():
        errand.answer.set_result(outcome)
