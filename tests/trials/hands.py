"""What people do in a trial: they plan work, begin it, end it, test and close it.

A person whose command is not answered gives it again under the same number, as the command line
does, until it is answered or refused; kills of the poller lie between.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, Final

from poller.decide import Command, Refusal
from poller.model.work import NoteKind, WorkKind
from poller.service import Service
from poller.work.requests import AddWork, CloseWork, EndWork, NoteWork, StartWork

BY: Final = "a person of the trial (uid 0)"
AGAIN_S: Final = 3.0
PATIENCE_S: Final = 20.0  # for one answer
WINDOW: Final = timedelta(hours=12)  # far more than a clock is set by
JOURNAL_STUCK: Final = "the journal"  # how a refusal begins that is nobody's fault


@dataclass(frozen=True, slots=True, kw_only=True)
class Errand:
    """Work by the book: planned, started before the relay changes, ended after, tested, closed.

    to: the version that is planned; the relay may come up with another. Times: seconds of the loop.
    """

    relay: str
    to: str
    planned_at: float
    started_at: float
    ended_at: float
    tested_at: float
    closed_at: float


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
                start=now - WINDOW,
                end=now + WINDOW,
                zone="UTC",
                although="a trial",
            )
        )
        (done.work,) = answer["works"]
        work = done.work
        assert work is not None
        done.planned = self._now()
        await self._until(errand.started_at)
        await self._ask(StartWork(work=work, although="a trial"))
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
        await self._ask(CloseWork(work=work, why="a trial"))
        done.closed = self._now()

    async def _ask(self, command: Command) -> dict[str, Any]:
        self._numbers += 1
        number = f"trial-{self._numbers}"
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
