"""What people do in the demo: they accept baselines, acknowledge an alarm, plan work, begin it, end
it and test it.

Their commands go the way that every command goes. Times are seconds of the demo's story.
"""

from __future__ import annotations

import asyncio
import uuid
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any, Final

import structlog

from poller.decide import AcceptBaseline, Command, Refusal
from poller.edges.commands import command
from poller.service import Service

log = structlog.get_logger()
WHO: Final = "demo"
WINDOW: Final = timedelta(hours=2)
ACCEPT_S: Final = 12.0  # by then every relay was read


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """Work on one relay, by the book: from `at` on it is prepared, started, ended and tested."""

    relay: str
    to: str
    at: float
    back: float  # the relay answers again
    tested: float
    although: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """Somebody at the desk sees an alarm and acknowledges it."""

    alarm: str
    at: float
    why: str


SEEN: Final = Seen(
    alarm="q02-main1.flag.firmware_changed",
    at=34,
    why="protection engineer called; nobody is known to be at the relay",
)
JOBS: Final = (
    Job(relay="t1-main1", to="5.1 SP2 HF3", at=50, back=63, tested=70),
    Job(relay="q06-main1", to="5.1 SP2 HF3", at=73, back=86, tested=300),
    Job(relay="q05-main2", to="3.00.004", at=155, back=183, tested=200),
)
"""One takes, one comes up with another version, one leaves its lifecycle warning standing."""


@dataclass(slots=True)
class Hands:
    """run() ends when everything is done. service: the one that runs in this process."""

    service: Service
    jobs: Sequence[Job] = JOBS
    _began: float = field(default=0.0)

    async def run(self) -> None:
        self._began = asyncio.get_running_loop().time()
        await self._until(ACCEPT_S)
        state = self.service.state
        read = tuple(name for name, relay in state.relays.items() if relay.nameplate is not None)
        await self._give(AcceptBaseline(relays=read, why="as commissioned", reference="DEMO-1"))
        async with asyncio.TaskGroup() as group:
            group.create_task(self._acknowledge(SEEN))
            for job in self.jobs:
                group.create_task(self._do(job))

    async def _acknowledge(self, seen: Seen) -> None:
        await self._until(seen.at)
        await self._ask("alarm_ack", alarm=seen.alarm, why=seen.why)

    async def _do(self, job: Job) -> None:
        await self._until(job.at)
        now = datetime.now(UTC)
        added = await self._ask(
            "work_add",
            relays=[job.relay],
            kind="update",
            expects={"swRev": job.to},
            start=(now - timedelta(minutes=1)).isoformat(),
            end=(now + WINDOW).isoformat(),
            zone="UTC",
            reference="DEMO-2",
            although=job.although,
        )
        if not added:
            return
        work = added["works"][0]
        await self._ask("work_note", work=work, note="read_back", text="kept as engineering copy")
        await self._ask("work_note", work=work, note="partner_trips", text="main 2 looked at")
        await self._ask("work_start", work=work)
        await self._until(job.back)
        await self._ask("work_end", work=work)
        await self._until(job.tested)
        await self._ask("work_note", work=work, note="tested", text="every element injected")

    async def _ask(self, op: str, **args: Any) -> dict[str, Any]:
        return await self._give(command(op, args))

    async def _give(self, given: Command) -> dict[str, Any]:
        """What is refused is shown and left: a person would go and mend it."""
        try:
            return await self.service.command(given, number=str(uuid.uuid4()), by=WHO)
        except Refusal as reason:
            log.warning("demo_refused", reason=str(reason))
            return {}

    async def _until(self, at: float) -> None:
        await asyncio.sleep(max(0.0, self._began + at - asyncio.get_running_loop().time()))
