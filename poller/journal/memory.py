"""A journal in memory, for trials and tests: slow, failing and forgetful on demand.

It keeps the same contract as the file; one test suite runs on both.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable, Mapping, Sequence

from poller.journal import chain, snapshot
from poller.journal.chain import Broken, Verified
from poller.journal.notes import Notes
from poller.journal.ports import CommitFailed, Head
from poller.journal.snapshot import Snapshot
from poller.journal.store import CommandRepeated
from poller.model import limits
from poller.model.events import Event, Pruned, Recorded
from poller.model.standing import State
from poller.model.status import StatusReading

Delay = Callable[[], float]
"""How long the next commit takes, in seconds; a trial draws 0 to 0.5."""


class MemoryCommitter:
    """Implements ports.Committer and ports.Reader. failing: while it is set, commits fail with it.

    Half of a delay passes before events are durable and half before that is told, so that a kill
    can find them in either condition.
    """

    def __init__(self, *, journal: str = "journal-in-memory", delay: Delay = lambda: 0.0) -> None:
        self.failing: str | None = None
        self._journal = journal
        self._delay = delay
        self._failures = 0
        self._one_at_a_time = asyncio.Lock()
        self._dead = False
        self._events: list[Recorded] = []
        self._answers: dict[str, str] = {}
        self._cursors: dict[str, int] = {}
        self._retained: dict[str, dict[str, str]] = {}
        self._snapshots: dict[int, bytes] = {}
        self._samples: dict[str, list[StatusReading]] = {}
        self._notes = Notes()  # not yet durable

    def kill(self) -> MemoryCommitter:
        """What the next process finds: what is durable. This one takes nothing any more."""
        self._dead = True
        after = MemoryCommitter(journal=self._journal, delay=self._delay)
        after._events = list(self._events)
        after._answers = dict(self._answers)
        after._cursors = dict(self._cursors)
        after._retained = {output: dict(held) for output, held in self._retained.items()}
        after._snapshots = dict(self._snapshots)
        after._samples = {relay: list(held) for relay, held in self._samples.items()}
        return after

    # The committer.

    async def commit(
        self, events: Sequence[Event], *, command: tuple[str, str] | None = None
    ) -> tuple[Recorded, ...]:
        given = self._failures
        async with self._one_at_a_time:
            half_s = self._delay() / 2
            await asyncio.sleep(half_s)
            if given < self._failures:
                raise CommitFailed("what was given before it failed")
            if self._dead or self.failing is not None:
                self._failures += 1
                raise CommitFailed(self.failing or "the process is gone")
            if command is not None and command[0] in self._answers:
                raise CommandRepeated(f"command {command[0]} has been carried out before")
            recorded = chain.record(self._journal, self.head(), events)
            self._events += recorded
            if command is not None:
                self._answers[command[0]] = command[1]
                for oldest in list(self._answers)[: -limits.COMMAND_ANSWERS_MAX]:
                    del self._answers[oldest]
            self._write_notes()
            await asyncio.sleep(half_s)
            return recorded

    async def note_cursor(self, output: str, seq: int) -> None:
        self._notes.cursors[output] = seq

    async def note_retained(self, output: str, digests: Mapping[str, str | None]) -> None:
        self._notes.retained.update({(output, name): one for name, one in digests.items()})

    async def keep(self, output: str, name: str, value: str | None) -> None:
        await self.note_retained(output, {name: value})
        await self.commit(())

    async def save_snapshot(self, state: State) -> None:
        self._notes.snapshot = state

    async def add_samples(self, samples: Sequence[tuple[str, StatusReading]]) -> None:
        self._notes.samples += samples

    async def close(self) -> None:
        """Writes the notes that wait; after it nothing is taken any more."""
        if not self._dead and self.failing is None:
            async with self._one_at_a_time:
                self._write_notes()
        self._dead = True

    def _write_notes(self) -> None:
        notes, self._notes = self._notes, Notes()
        self._cursors |= notes.cursors
        for (output, name), digest in notes.retained.items():
            held = self._retained.setdefault(output, {})
            held.pop(name, None)
            if digest is not None:
                held[name] = digest
        for relay, reading in notes.samples:
            kept = self._samples.setdefault(relay, [])
            kept.append(reading)
            del kept[: -limits.SAMPLES_PER_RELAY_MAX]
        if notes.snapshot is not None:
            seq, hash_then = notes.snapshot.seq, self.hash_at(notes.snapshot.seq)
            if hash_then is not None:
                self._snapshots[seq] = snapshot.to_bytes(
                    Snapshot(hash=hash_then, state=notes.snapshot)
                )
                for oldest in sorted(self._snapshots)[: -limits.SNAPSHOTS_KEPT]:
                    del self._snapshots[oldest]

    # The reader.

    def head(self) -> Head:
        if not self._events:
            return chain.START
        return Head(seq=self._events[-1].seq, hash=self._events[-1].hash)

    def read(self, after: int, limit: int = limits.COMMIT_BATCH_MAX) -> list[Recorded]:
        return self._events[after : after + limit]

    def load_state(self) -> State:
        return snapshot.load_state(self)

    def answer(self, command: str) -> str | None:
        return self._answers.get(command)

    def cursor(self, output: str) -> int:
        return self._cursors.get(output, 0)

    def retained(self, output: str) -> dict[str, str]:
        return dict(self._retained.get(output, {}))

    def samples(self, relay: str, limit: int = limits.SAMPLES_PER_RELAY_MAX) -> list[StatusReading]:
        return self._samples.get(relay, [])[::-1][:limit]

    def verify(self, head: Head | None = None) -> Verified | Broken:
        return chain.verify((chain.row(one) for one in self._events), head)

    # snapshot.Source

    def snapshots(self) -> Iterable[bytes]:
        return [self._snapshots[seq] for seq in sorted(self._snapshots, reverse=True)]

    def hash_at(self, seq: int) -> str | None:
        if seq == 0:
            return chain.START.hash
        return self._events[seq - 1].hash if seq <= len(self._events) else None

    def pruned(self) -> Pruned | None:
        return None  # nothing is ever dropped from memory
