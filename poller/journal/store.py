"""The one writer of a journal file, and the reader beside it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TypeAlias

import apsw

from poller.journal import chain, file, snapshot
from poller.journal.envelope import NotStorable
from poller.journal.file import JournalUnusable, Locked
from poller.journal.notes import Notes
from poller.journal.ports import CommitFailed, Head
from poller.journal.reader import Reader
from poller.journal.snapshot import Snapshot
from poller.journal.upgrade import bring_up
from poller.journal.whole import whole_head
from poller.model import limits
from poller.model.canonical import encode, plain, stamp
from poller.model.events import Event, Recorded
from poller.model.standing import State

__all__ = ["Batch", "CommandRepeated", "JournalUnusable", "Locked", "Reader", "Writer"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """Events of one commit, and the command (id, answer) that led to them."""

    events: tuple[Event, ...]
    command: tuple[str, str] | None = None


class CommandRepeated(Exception):
    """A command with this id has its answer already; nothing was written."""


Result: TypeAlias = tuple[Recorded, ...] | NotStorable | CommandRepeated


class Writer:
    """Holds the lock on the file from open() to close(). For one thread at a time."""

    def __init__(
        self, path: Path, connection: apsw.Connection, lock: file.Lock, held: ExitStack
    ) -> None:
        self.path = path
        self.connection = connection
        self.reader = Reader(path, connection)
        self.journal = self.reader.journal()
        self._lock = lock
        self._held = held
        self._head = whole_head(self.reader, lock.noted)
        file.trust(connection)
        lock.note(self.journal, self._head)
        found = path.stat()
        self._inode = (found.st_dev, found.st_ino)

    @classmethod
    def open(cls, path: Path) -> Writer:
        """Makes the file where there is none. Raises Locked, or JournalUnusable.

        Looks at all of it first: a second for some 100,000 events. One of an earlier Bayroll is
        brought up, with a copy kept.
        """
        path = path.resolve()  # two ways to one file share one lock
        with ExitStack() as held:
            lock = held.enter_context(file.locked(path))
            if not path.exists():
                file.create(path, lock.noted)
            connection = file.open_writing(path)
            held.callback(connection.close)
            bring_up(path, connection)
            writer = cls(path, connection, lock, held)
            writer._held = held.pop_all()
            return writer

    def close(self) -> None:
        self._held.close()

    def __enter__(self) -> Writer:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def head(self) -> Head:
        return self._head

    def write(self, batches: Sequence[Batch], notes: Notes | None = None) -> list[Result]:
        """Makes all durable in one transaction; for each batch its events, or why it was refused.

        A refused batch leaves no trace and hinders no other. Raises CommitFailed: nothing of
        anything was written, and the chain stands where it stood.
        """
        with self.transaction():
            results = [self._write(batch) for batch in batches]
            self._note(notes or Notes())
        return results

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """All or nothing, the head too. Raises CommitFailed for what the file or the disk does."""
        head = self._head
        try:
            self._still_there()
            self.connection.execute("BEGIN IMMEDIATE")
            try:
                yield
                self.connection.execute("COMMIT")
            except BaseException:
                self._head = head
                if self.connection.in_transaction:  # a full disk may have ended it already
                    self.connection.execute("ROLLBACK")
                raise
        except (apsw.Error, OSError) as reason:
            raise CommitFailed(f"{type(reason).__name__}: {reason}") from reason
        if self._head is not head:
            self._lock.note(self.journal, self._head)

    def append(self, events: Sequence[Event]) -> tuple[Recorded, ...]:
        """Inside a transaction of the caller's."""
        recorded = chain.record(self.journal, self._head, events)
        self.insert([chain.row(one) for one in recorded])
        return recorded

    def insert(self, rows: Sequence[chain.Row]) -> None:
        """Rows as they are, inside a transaction; they must hang on the chain."""
        self.connection.executemany(
            "INSERT INTO event VALUES (?, ?, ?, ?, ?, ?)",
            ((row.seq, row.at, row.kind, row.subject, row.stored, row.hash) for row in rows),
        )
        if rows:
            self._head = Head(seq=rows[-1].seq, hash=rows[-1].hash.hex())

    def _still_there(self) -> None:
        found = self.path.stat()
        if (found.st_dev, found.st_ino) != self._inode:
            raise CommitFailed(f"{self.path} is another file now than the one that was opened")

    def _write(self, batch: Batch) -> Result:
        if batch.command is not None:
            number, answer = batch.command
            if self.reader.answer(number) is not None:
                return CommandRepeated(f"command {number} has been carried out before")
        try:
            recorded = self.append(batch.events)
        except NotStorable as reason:  # before anything was inserted
            return reason
        if batch.command is not None:
            self.connection.execute(
                "INSERT INTO command (id, answer) VALUES (?, ?)", (number, answer)
            )
            self.connection.execute(
                "DELETE FROM command WHERE n <= (SELECT max(n) FROM command) - ?",
                (limits.COMMAND_ANSWERS_MAX,),
            )
        return recorded

    def _note(self, notes: Notes) -> None:
        run = self.connection.executemany
        run("INSERT OR REPLACE INTO cursor VALUES (?, ?)", notes.cursors.items())
        kept = [(*key, digest) for key, digest in notes.retained.items() if digest is not None]
        gone = [key for key, digest in notes.retained.items() if digest is None]
        run("INSERT OR REPLACE INTO retained VALUES (?, ?, ?)", kept)
        run("DELETE FROM retained WHERE output = ? AND name = ?", gone)
        run(
            "INSERT INTO sample SELECT ?1, 1 + ifnull(max(n), 0), ?2, ?3 FROM sample "
            "WHERE relay = ?1",
            ((relay, stamp(one.at), encode(plain(one))) for relay, one in notes.samples),
        )
        relays = {relay for relay, _ in notes.samples}
        run(
            "DELETE FROM sample WHERE relay = ?1 "
            "AND n <= (SELECT max(n) FROM sample WHERE relay = ?1) - ?2",
            ((relay, limits.SAMPLES_PER_RELAY_MAX) for relay in relays),
        )
        if notes.snapshot is not None:
            self._keep_snapshot(notes.snapshot)

    def _keep_snapshot(self, state: State) -> None:
        hash_then = self.reader.hash_at(state.seq)
        if hash_then is None:
            return  # pruned since, or before the first event: it could not be used
        self.connection.execute(
            "INSERT OR REPLACE INTO snapshot VALUES (?, ?)",
            (state.seq, snapshot.to_bytes(Snapshot(hash=hash_then, state=state))),
        )
        self.connection.execute(
            "DELETE FROM snapshot WHERE seq NOT IN "
            "(SELECT seq FROM snapshot ORDER BY seq DESC LIMIT ?)",
            (limits.SNAPSHOTS_KEPT,),
        )
