"""Events decided on and not yet durable: a bounded queue, one committer, order kept."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final

import structlog

from poller.journal.envelope import NotStorable
from poller.journal.ports import CommitFailed, Committer
from poller.journal.store import CommandRepeated
from poller.model import limits
from poller.model.events import Event, Recorded

log = structlog.get_logger()
AGAIN_S: Final = 1.0


@dataclass(slots=True, kw_only=True)
class Batch:
    """The events of one input. durable is resolved once they are."""

    events: tuple[Event, ...]
    command: tuple[str, str] | None
    durable: asyncio.Future[None]


@dataclass(slots=True, kw_only=True)
class Waiting:
    """told: called with what became durable, in order, before anyone who waits is woken.

    refused: called when a batch can never be written (a repeated command), with what still waits.
    failing: why the last commit did not take; None while all is well.
    """

    committer: Committer
    told: Callable[[tuple[Recorded, ...]], None]
    refused: Callable[[Sequence[Event]], None]
    failing: str | None = None
    turns: int = 0  # tries to write, however they ended
    _batches: deque[Batch] = field(default_factory=deque)
    _events: int = 0
    _work: asyncio.Event = field(default_factory=asyncio.Event)

    @property
    def full(self) -> bool:
        """Judging pauses while this holds."""
        return self._events >= limits.EVENTS_WAITING_MAX

    @property
    def events(self) -> int:
        return self._events

    def put(
        self, events: Sequence[Event], command: tuple[str, str] | None = None
    ) -> asyncio.Future[None]:
        """Queues the events of one input; the future is done when they are durable.

        Who gives up waiting for it takes nothing back.
        """
        durable: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._batches.append(Batch(events=tuple(events), command=command, durable=durable))
        self._events += len(events)
        self._work.set()
        return asyncio.shield(durable)

    async def run(self) -> None:
        """Commits for ever. What fails stays first in the queue and is tried again."""
        while True:
            await self._work.wait()
            self._work.clear()
            while self._batches:
                await self._commit(self._head())
                self.turns += 1

    async def drained(self) -> None:
        """Returns when nothing waits."""
        if self._batches:
            await asyncio.wait([self._batches[-1].durable])

    def _head(self) -> list[Batch]:
        """As many whole batches as fit; a command's batch goes alone, with its answer."""
        head = [self._batches[0]]
        size = len(head[0].events)
        for batch in list(self._batches)[1:]:
            size += len(batch.events)
            if head[-1].command or batch.command or size > limits.COMMIT_BATCH_MAX:
                break
            head.append(batch)
        return head

    async def _commit(self, head: list[Batch]) -> None:
        events = [event for batch in head for event in batch.events]
        try:
            recorded = await self.committer.commit(events, command=head[0].command)
        except CommitFailed as reason:
            if self.failing is None:
                log.error("journal_not_written", reason=str(reason), waiting=self._events)
            self.failing = str(reason)
            await asyncio.sleep(AGAIN_S)
            return
        except (CommandRepeated, NotStorable) as reason:
            if len(head) > 1:
                for batch in head:  # one of them is at fault; the others are not to suffer
                    await self._commit([batch])
                return
            self._refuse(head[0], reason)
            return
        if self.failing is not None:
            log.info("journal_written_again", waiting=self._events)
        self.failing = None
        self._take(head)
        self.told(recorded)
        for batch in head:
            batch.durable.set_result(None)

    def _take(self, head: Sequence[Batch]) -> None:
        for batch in head:
            assert self._batches[0] is batch, "order is kept: what is done stood first"
            self._batches.popleft()
            self._events -= len(batch.events)

    def _refuse(self, batch: Batch, reason: Exception) -> None:
        log.error("journal_refused", reason=str(reason))
        self._take([batch])
        self.refused([event for left in self._batches for event in left.events])
        batch.durable.set_exception(reason)
