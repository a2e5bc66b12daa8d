"""What people do in a trial: they plan work, begin it, end it, test and close it; they look at
the list of alarms and acknowledge, shelve and so on.

A person whose command is not answered gives it again under the same number, as the command line
does, until it is answered or refused; kills of the poller lie between.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, Final

from poller.alarms import requests as ask
from poller.decide import Command, Refusal
from poller.model.alarms import Alarm, AlarmState
from poller.model.work import Disposition, NoteKind, WorkKind
from poller.service import Service
from poller.site.shipped_alarms import catalogue_of
from poller.work.requests import (
    AddWork,
    CloseWork,
    EndWork,
    GiveDisposition,
    NoteWork,
    StartWork,
)

BY: Final = "a person of the trial (uid 0)"
WHY: Final = "a trial"
AGAIN_S: Final = 3.0
PATIENCE_S: Final = 20.0  # for one answer
WINDOW_S: Final = 12 * 3_600.0  # far more than a clock is set by
JOURNAL_STUCK: Final = "the journal"  # how a refusal begins that is nobody's fault


@dataclass(frozen=True, slots=True, kw_only=True)
class Errand:
    """Work by the book: planned, started before the relay changes, ended after, tested, closed.

    to: the version that is planned; the relay may come up with another. Times: seconds of the loop.
    window_s: from planning on.
    """

    relay: str
    to: str
    planned_at: float
    started_at: float
    ended_at: float
    tested_at: float
    closed_at: float
    window_s: float = WINDOW_S


@dataclass(frozen=True, slots=True, kw_only=True)
class Deed:
    """A person looks at the list of alarms and does something about one of them.

    what: ack, shelve, unshelve, out, back, reset; answer: says what an unplanned change was.
    pick: which of those that it fits, 0 to 1. astray: any of all, at the wrong place.
    """

    at: float
    what: str
    pick: float
    astray: bool
    for_s: int


@dataclass(slots=True, kw_only=True)
class DeedDone:
    """A deed as it went. number: of its command. Times: when it was asked, and answered."""

    command: Command
    number: str
    asked: float
    answered: float | None = None
    refused: str = ""


@dataclass(slots=True)
class Done:
    """An errand as it went. Times: when each step was answered; absent where it was refused."""

    errand: Errand
    work: str | None = None
    planned: float | None = None
    started: float | None = None
    ending: float | None = None  # asked for, and not answered yet
    ended: float | None = None
    testing: float | None = None  # asked for, and not answered yet
    tested: float | None = None
    closed: float | None = None
    refused: str = ""


@dataclass(slots=True)
class Hands:
    """service: the process that runs now, or None while it is dead."""

    service: Callable[[], Service | None]
    utc: Callable[[], datetime]
    done: list[Done] = field(default_factory=list)
    deeds: list[DeedDone] = field(default_factory=list)
    _numbers: int = 0

    async def run(self, errand: Errand) -> None:
        """One errand, step by step; it ends where a step is refused."""
        done = Done(errand=errand)
        self.done.append(done)
        try:
            await self._run(errand, done)
        except Refusal as reason:
            done.refused = str(reason)

    async def _run(self, errand: Errand, done: Done) -> None:
        await self._until(errand.planned_at)
        now = self.utc()
        answer = await self._ask(
            AddWork(
                relays=(errand.relay,),
                kind=WorkKind.UPDATE,
                expects={"swRev": errand.to},
                start=now - timedelta(seconds=WINDOW_S),
                end=now + timedelta(seconds=errand.window_s),
                zone="UTC",
                although=WHY,
            )
        )
        (done.work,) = answer["works"]
        work = done.work
        assert work is not None
        done.planned = self._now()
        await self._until(errand.started_at)
        await self._ask(StartWork(work=work, although=WHY))
        done.started = self._now()
        await self._until(errand.ended_at)
        done.ending = self._now()
        await self._ask(EndWork(work=work))
        done.ended = self._now()
        await self._until(errand.tested_at)
        done.testing = self._now()
        await self._ask(NoteWork(work=work, note=NoteKind.TESTED, text="injected, tripped"))
        done.tested = self._now()
        await self._until(errand.closed_at)
        await self._ask(CloseWork(work=work, why=WHY))
        done.closed = self._now()

    async def look_after(self, deed: Deed) -> None:
        """One deed; none where the poller is dead, since nobody has a list to look at then."""
        await self._until(deed.at)
        service = self.service()
        command = None if service is None else _command(deed, service)
        if command is None:
            return
        done = DeedDone(command=command, number=self._number(), asked=self._now())
        self.deeds.append(done)
        try:
            await self._ask(command, done.number)
        except Refusal as reason:
            done.refused = str(reason)
        done.answered = self._now()

    def _number(self) -> str:
        self._numbers += 1
        return f"trial-{self._numbers}"

    async def _ask(self, command: Command, number: str | None = None) -> dict[str, Any]:
        number = number or self._number()
        while True:
            service = self.service()
            if service is not None and service.started.is_set():
                try:
                    async with asyncio.timeout(PATIENCE_S):
                        return await service.command(command, number=number, by=BY)
                except TimeoutError:
                    pass  # killed meanwhile, or the journal is slow
                except Refusal as reason:
                    if not str(reason).startswith(JOURNAL_STUCK):
                        raise
            await asyncio.sleep(AGAIN_S)

    async def _until(self, at: float) -> None:
        await asyncio.sleep(max(0.0, at - self._now()))

    @staticmethod
    def _now() -> float:
        return asyncio.get_running_loop().time()


FITS: Final[dict[str, Callable[[Alarm], bool]]] = {
    "ack": lambda one: one.annunciated and one.state != AlarmState.ACKNOWLEDGED,
    "shelve": lambda one: one.inhibits.shelved is None,
    "unshelve": lambda one: one.inhibits.shelved is not None,
    "out": lambda one: one.inhibits.out_of_service is None,
    "back": lambda one: one.inhibits.out_of_service is not None,
    "reset": lambda one: one.latched,
}
"""Alarms that a person would do it to; who goes astray does it to any."""
PLAIN: Final = {
    "unshelve": ask.UnshelveAlarm,
    "out": ask.TakeOutOfService,
    "back": ask.ReturnToService,
    "reset": ask.ResetLatch,
}


def _command(deed: Deed, service: Service) -> Command | None:
    """What the deed comes to with the list as it is; None: there is nothing to do."""
    state = service.state
    if deed.what == "answer":
        opened = sorted(one.id for one in state.investigations.values() if not one.disposition)
        name = _picked(deed, opened)
        if name is None:
            return None
        return GiveDisposition(investigation=name, disposition=Disposition.MISTAKE, why=WHY)
    fits = FITS[deed.what]
    name = _picked(
        deed, sorted(one.id for one in state.alarms.values() if deed.astray or fits(one))
    )
    if name is None:
        return None
    if deed.what == "shelve":
        return ask.ShelveAlarm(alarm=name, for_s=deed.for_s, why=WHY)
    if deed.what == "ack":
        over = catalogue_of(service.site).acknowledged_over
        other = "mqtt" if over == "bayroll" else "bayroll"
        return ask.AckAlarm(alarm=name, over=other if deed.astray else over, why=WHY)
    return PLAIN[deed.what](alarm=name, why=WHY)


def _picked(deed: Deed, names: list[str]) -> str | None:
    return names[int(deed.pick * len(names))] if names else None
