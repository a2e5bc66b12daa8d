"""Who is asked next: one task for each host:port, its relays in turn, each when it is due."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from random import Random
from typing import Final

from poller.edges.clock import Clock, moment
from poller.edges.progress import Part
from poller.edges.rounds import Asks, Rounds, Unit, Visit
from poller.judging.findings import Finding
from poller.judging.watch import Heard
from poller.model import limits
from poller.model.backoff import backoff_s
from poller.reading.exchange import NoReply, Outcome, Reply
from poller.reading.frames import Request

ABSENT_FIRST_S: Final = 15.0  # a unit that a gateway can't reach holds up the others for a time-out
ABSENT_CAP_S: Final = 300.0
ENDED: Final = "this connection is no longer polled"
NEXT_UNIT_S: Final = 1.0  # unless another unit of the gateway is due so soon
SLACK_S: Final = 30.0  # a busy computer is late without being stuck


Told = Callable[[Unit, tuple[Finding, ...]], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Errand:
    """A single request of a person at the command line, to be made through this connection."""

    unit: int
    request: Request
    timeout_s: float
    answer: asyncio.Future[Outcome]


@dataclass(slots=True, kw_only=True)
class Endpoint:
    """held: the connection stays open between two visits. told: called after each visit that was
    no routine, with what came to be believed."""

    link: Asks
    units: Sequence[Unit]
    clock: Clock
    random: Random
    gateway: bool
    held: bool
    told: Told
    _turns: int = 0
    _visits: int = 0  # but those of the rounds
    _rounds: Rounds = field(init=False)
    _errands: list[Errand] = field(default_factory=list)
    _errand_s: float = 0.0  # how long the one under way may wait: a person says so

    def __post_init__(self) -> None:
        self._rounds = Rounds(
            link=self.link,
            units=self.units,
            clock=self.clock,
            held=self.held,
            stays_open=self._stays_open,
        )

    @property
    def visits(self) -> int:
        return self._visits + self._rounds.visits

    @property
    def turns(self) -> int:
        """How often anything was done: visits, and the requests of those that were no routine."""
        return self._turns + self._rounds.visits

    async def run(self) -> None:
        try:
            while True:
                if self._errands:
                    await self._run_errand(self._errands.pop(0))
                    continue
                visit = await self._rounds.go()
                if visit is not None:
                    await self._guarded(visit)
                if not self._stays_open(self._rounds.next()):
                    await self.link.close()
        finally:
            while self._errands:
                _answer(self._errands.pop(), NoReply(reason=ENDED))
            await self.link.close()

    async def errand(self, unit: int, request: Request, timeout_s: float) -> Outcome:
        """Asks between two visits; no second connection is opened."""
        if len(self._errands) >= limits.ERRANDS_MAX:
            return NoReply(reason="too many requests are waiting for this connection already")
        answer: asyncio.Future[Outcome] = asyncio.get_running_loop().create_future()
        self._errands.append(Errand(unit=unit, request=request, timeout_s=timeout_s, answer=answer))
        self._rounds.interrupt()
        return await answer

    def look_again(self) -> None:
        """Somebody else is due first."""
        self._rounds.interrupt()

    def part(self, name: str) -> Part:
        """For the watch over progress."""
        unit = self._rounds.next()
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
        self._rounds.interrupt()
        if all(unit.paused for unit in self.units):
            await self.link.close()

    async def _guarded(self, visit: Visit) -> None:
        try:
            await self._visit(visit)
        except Exception:
            self._rounds.failed(visit.unit)
        self._turns += 1

    async def _visit(self, visit: Visit) -> None:
        unit, heard = visit.unit, visit.heard
        if unit.paused:
            return  # since the round ended
        watch = unit.watch
        if heard is not None:
            started = heard.at.earlier(visit.started)
        else:
            started = moment(self.clock)
            routine = watch.routine(started.mono)
            if routine is not None:
                heard = await self._heard(unit, routine)
                if unit.paused:
                    return
                reply = heard.outcome
                if isinstance(reply, Reply) and watch.unchanged(
                    reply.pdu, started.mono, heard.at.mono
                ):
                    self._visits += 1
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
            self._visits += 1
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
        self._turns += 1
        return Heard(outcome=outcome, at=moment(self.clock))

    async def _run_errand(self, errand: Errand) -> None:
        outcome: Outcome = NoReply(reason=ENDED)
        self._errand_s = errand.timeout_s
        try:
            outcome = await self.link.ask(errand.unit, errand.request, errand.timeout_s)
            self._turns += 1
        finally:
            self._errand_s = 0.0
            _answer(errand, outcome)
        if not self._stays_open(self._rounds.next()):
            await self.link.close()

    def _stays_open(self, unit: Unit | None) -> bool:
        """Until that one is due; None: nobody is."""
        if self._errands:
            return True
        if unit is None:
            return False
        soon = len(self.units) > 1 and unit.watch.due - self.clock.mono() < NEXT_UNIT_S
        return self.held or soon


def _answer(errand: Errand, outcome: Outcome) -> None:
    """Whoever waits may have given up."""
    if not errand.answer.done():
        errand.answer.set_result(outcome)
