"""The committer of a running service: one thread writes, the event loop never waits for a disk.

The thread takes all that waits, up to a batch, and makes it durable in one transaction. Notes
(cursors, retained, snapshot, samples) ride along, or go alone soon after.
"""

from __future__ import annotations

import asyncio
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, Final, TypeVar

import structlog

from poller.journal.notes import Notes
from poller.journal.ports import CommitFailed
from poller.journal.store import Batch, Writer
from poller.model import limits
from poller.model.events import Event, Recorded
from poller.model.standing import State
from poller.model.status import StatusReading

log = structlog.get_logger(__name__)
NOTES_WAIT_S: Final = 0.5  # for events to ride with; lost in a crash, an output delivers twice
T = TypeVar("T")


@dataclass(slots=True, kw_only=True)
class _Job:
    """A batch, or a call on the writer. given: how many failures its giver knew of."""

    done: asyncio.Future[Any]
    given: int
    batch: Batch | None = None
    call: Callable[[Writer], Any] | None = None


class ThreadCommitter:
    """Implements ports.Committer. Made inside the event loop that will call it.

    The writer is this thread's until close() returns; closing the file stays the caller's.
    """

    def __init__(self, writer: Writer, *, notes_wait_s: float = NOTES_WAIT_S) -> None:
        self._writer = writer
        self._notes_wait_s = notes_wait_s
        self._loop = asyncio.get_running_loop()
        self._room = asyncio.Semaphore(limits.COMMITS_WAITING_MAX)
        self._told_failures = 0  # the loop's count
        self._failures = 0  # the thread's count
        self._wake = threading.Condition()
        self._jobs: deque[_Job] = deque()  # bounded by _room
        self._notes = Notes()
        self._notes_due = 0.0
        self._closing = False
        self._ended = self._loop.create_future()
        self._thread = threading.Thread(target=self._work, name="journal", daemon=True)
        self._thread.start()

    async def commit(
        self, events: Sequence[Event], *, command: tuple[str, str] | None = None
    ) -> tuple[Recorded, ...]:
        """As ports.Committer; also raises CommandRepeated and NotStorable, and nothing is written.

        What was given before a failure was told fails with it, so that order is kept. Cancelled,
        it may still become durable.
        """
        batch = Batch(events=tuple(events), command=command)
        recorded: tuple[Recorded, ...] = await self._give(batch=batch)
        return recorded

    async def call(self, work: Callable[[Writer], T]) -> T:
        """Runs work(writer) on the thread, in order with the commits: pruning, for one."""
        result: T = await self._give(call=work)
        return result

    async def note_cursor(self, output: str, seq: int) -> None:
        """Written soon, not at once; the newest counts."""
        self._note(Notes(cursors={output: seq}))

    async def note_retained(self, output: str, digests: Mapping[str, str | None]) -> None:
        """Written soon, not at once; the newest of each name counts."""
        self._note(Notes(retained={(output, name): one for name, one in digests.items()}))

    async def keep(self, output: str, name: str, value: str | None) -> None:
        """As ports.Committer. Cancelled, it may still become durable."""
        notes = Notes(retained={(output, name): value})
        await self.call(lambda writer: writer.write([], notes))

    async def save_snapshot(self, state: State) -> None:
        """Written soon, not at once. state: durable, as folded by the service."""
        self._note(Notes(snapshot=state))

    async def add_samples(self, samples: Sequence[tuple[str, StatusReading]]) -> None:
        """(relay, reading) in order; the oldest of a relay make room."""
        self._note(Notes(samples=list(samples)))

    async def close(self) -> None:
        """Writes what waits, then ends the thread. After it nothing is taken any more."""
        with self._wake:
            self._closing = True
            self._wake.notify()
        await asyncio.shield(self._ended)

    async def _give(
        self, *, batch: Batch | None = None, call: Callable[[Writer], Any] | None = None
    ) -> Any:
        given = self._told_failures
        async with self._room:
            job = _Job(done=self._loop.create_future(), given=given, batch=batch, call=call)
            with self._wake:
                if self._closing:
                    raise CommitFailed("the journal is closed")
                self._jobs.append(job)
                self._wake.notify()
            return await job.done

    def _note(self, notes: Notes) -> None:
        with self._wake:
            if not self._notes:
                self._notes_due = time.monotonic() + self._notes_wait_s
            self._notes.before(notes)
            self._notes = notes
            # while the disk is full, samples only push one another out
            del notes.samples[: -limits.EVENTS_WAITING_MAX]
            self._wake.notify()

    # From here on: the thread.

    def _work(self) -> None:
        try:
            while self._turn():
                pass
        finally:
            self._tell(self._ended.set_result, None)

    def _turn(self) -> bool:
        with self._wake:
            self._wait()
            jobs, notes = self._take(), self._notes
            self._notes = Notes()
            ending = self._closing and not self._jobs
        stale = [job for job in jobs if job.given < self._failures]
        for job in stale:
            self._failed(job, CommitFailed("what was given before it failed"))
        jobs = [job for job in jobs if job.given >= self._failures]
        try:
            self._write(jobs, notes)
        except CommitFailed as reason:
            self._failures += 1
            for job in jobs:
                self._failed(job, reason)
            self._put_back(notes)
            if ending and notes:
                log.warning("journal_notes_lost", reason=str(reason))
        except Exception as reason:  # our own mistake: whoever waits must hear of it, and not hang
            log.exception("journal_writing_failed")
            for job in jobs:
                self._failed(job, reason)
        return not ending

    def _wait(self) -> None:
        while not self._jobs and not self._closing:
            left = self._notes_due - time.monotonic() if self._notes else None
            if left is not None and left <= 0:
                return
            self._wake.wait(left)

    def _take(self) -> list[_Job]:
        """As many whole jobs as make a batch; a call goes alone."""
        taken: list[_Job] = []
        size = 0
        while self._jobs:
            job = self._jobs[0]
            size += len(job.batch.events) if job.batch else 0
            if taken and (job.call or taken[0].call or size > limits.COMMIT_BATCH_MAX):
                break
            taken.append(self._jobs.popleft())
        return taken

    def _write(self, jobs: Sequence[_Job], notes: Notes) -> None:
        batches = [job.batch for job in jobs if job.batch is not None]
        results = self._writer.write(batches, notes) if batches or notes else []
        for job, result in zip(jobs, results, strict=False):
            if isinstance(result, Exception):
                self._failed(job, result)
            else:
                self._tell(_resolve, job.done, result)
        for job in jobs:
            if job.call is not None:
                self._tell(_resolve, job.done, job.call(self._writer))

    def _put_back(self, notes: Notes) -> None:
        with self._wake:
            notes.before(self._notes)
            self._notes_due = time.monotonic() + self._notes_wait_s

    def _failed(self, job: _Job, reason: Exception) -> None:
        self._tell(self._fail, job.done, reason, self._failures)

    def _tell(self, what: Callable[..., object], *args: object) -> None:
        with suppress(RuntimeError):  # the loop is closed: nobody is left to tell
            self._loop.call_soon_threadsafe(what, *args)

    # Back in the loop.

    def _fail(self, done: asyncio.Future[Any], reason: Exception, failures: int) -> None:
        self._told_failures = failures
        if not done.done():
            done.set_exception(reason)


def _resolve(done: asyncio.Future[Any], result: object) -> None:
    if not done.done():
        done.set_result(result)
