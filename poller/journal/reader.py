"""Reading a journal file: short read transactions, beside the writer and in other processes too."""

from __future__ import annotations

import threading
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import apsw

from poller.journal import chain, envelope, seeking, snapshot
from poller.journal.chain import Broken, Check, Row, Verified
from poller.journal.envelope import UnknownKind, Unreadable
from poller.journal.file import JournalUnusable, damaged, noted, open_reading, unusable
from poller.journal.ports import Head
from poller.model import limits
from poller.model.canonical import adapter
from poller.model.events import Pruned, Recorded
from poller.model.standing import State
from poller.model.status import StatusReading

COLUMNS = "seq, at, kind, subject, stored, hash"
TYPES = (str, str, str, bytes, bytes)  # of the columns behind seq; a torn page keeps no type


class Reader:
    """Implements ports.Reader. Every method raises JournalUnusable where the file can't be read."""

    def __init__(self, path: Path, connection: apsw.Connection) -> None:
        self.path = path
        self._connection = connection
        self._one_at_a_time = threading.RLock()

    @classmethod
    def open(cls, path: Path, *, torn: bool = False) -> Reader:
        """torn: also a file whose end is missing, for verifying and recovering."""
        return cls(path, open_reading(path, torn=torn))

    def close(self) -> None:
        self._connection.close()

    def __enter__(self) -> Reader:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # The port.

    def head(self) -> Head:
        last = self.ask("SELECT seq, hash FROM event ORDER BY seq DESC LIMIT 1")
        return Head(seq=last[0][0], hash=self._hash(*last[0])) if last else chain.START

    def read(self, after: int, limit: int = limits.COMMIT_BATCH_MAX) -> list[Recorded]:
        """Events with seq > after, in order, at most limit."""
        rows = self.ask(
            "SELECT seq, stored, hash FROM event WHERE seq > ? ORDER BY seq LIMIT ?", (after, limit)
        )
        return [self._event(*row) for row in rows]

    def load_state(self) -> State:
        """The newest usable snapshot and the tail folded onto it."""
        with self._as_of_now():
            try:
                return snapshot.load_state(self)
            except snapshot.OtherFold as reason:
                raise unusable(
                    self.path,
                    "journal-newer",
                    f"its oldest events were pruned, and the state kept for them is of {reason}",
                    "use the Bayroll that wrote it, or a newer one",
                ) from reason
            except Unreadable as reason:
                raise damaged(self.path, f"the state kept for pruned events: {reason}") from reason

    def answer(self, command: str) -> str | None:
        answer: str | None = self._one("SELECT answer FROM command WHERE id = ?", command)
        return answer

    def cursor(self, output: str) -> int:
        return self._one("SELECT seq FROM cursor WHERE output = ?", output) or 0

    def retained(self, output: str) -> dict[str, str]:
        return dict(self.ask("SELECT name, digest FROM retained WHERE output = ?", (output,)))

    # More than the port, for people.

    def history(
        self,
        *,
        subject: str | None = None,
        kinds: Sequence[str] | None = None,
        after: int = 0,
        before: int | None = None,
        limit: int = limits.COMMIT_BATCH_MAX,
        newest_first: bool = False,
    ) -> list[Recorded]:
        """Events with after < seq < before about subject, of these kinds; None: any. At most limit.

        newest_first: the limit keeps the newest.
        """
        if kinds is not None and subject is None and len(kinds) > 1:
            seqs = seeking.numbers(
                self.ask,
                "kind",
                kinds,
                after=after,
                before=seeking.SEQ_MAX if before is None else before,
                limit=limit,
                rising=not newest_first,
            )
            return self.those(seqs, rising=not newest_first)
        where, values = ["seq > ?"], [after]
        if before is not None:
            where.append("seq < ?")
            values.append(before)
        if subject is not None:
            where.append("subject = ?")
            values.append(subject)  # type: ignore[arg-type]
        if kinds is not None:
            where.append(f"kind IN ({', '.join('?' * len(kinds))})")
            values.extend(kinds)  # type: ignore[arg-type]
        order = "DESC" if newest_first else "ASC"
        rows = self.ask(
            f"SELECT seq, stored, hash FROM event WHERE {' AND '.join(where)} "  # noqa: S608 - our own words
            f"ORDER BY seq {order} LIMIT ?",
            (*values, limit),
        )
        return [self._event(*row) for row in rows]

    def those(
        self, seqs: Sequence[int], *, kinds: Sequence[str] = (), rising: bool = False
    ) -> list[Recorded]:
        """The events of these numbers that are of these kinds; none: of any. Some hundreds."""
        rows = seeking.events(self.ask, seqs, kinds, rising=rising)
        return [self._event(*row) for row in rows]

    def samples(self, relay: str, limit: int = limits.SAMPLES_PER_RELAY_MAX) -> list[StatusReading]:
        """The newest readings of a relay, newest first."""
        rows = self.ask(
            "SELECT stored FROM sample WHERE relay = ? ORDER BY n DESC LIMIT ?", (relay, limit)
        )
        return [adapter(StatusReading).validate_json(row[0]) for row in rows]

    def journal(self) -> str:
        """Its uuid."""
        return str(self._one("SELECT journal FROM meta"))

    def first_seq_since(self, at: str) -> int | None:
        """The first event at or after a moment, given as by stamp(); None: all are older."""
        seq: int | None = self._one("SELECT min(seq) FROM event WHERE at >= ?", at)
        return seq

    # The chain.

    def verify(self, head: Head | None = None) -> Verified | Broken:
        """Follows the whole chain; head: one noted elsewhere that it must pass through."""
        check = Check(start=self.start_if_known(), head=head)
        for _ in self.good(check):
            pass
        return check.end()

    def good(self, check: Check) -> Iterator[Row]:
        """Rows up to the first that is broken or can't be read; check knows which that was."""
        try:
            for row in self.rows():
                if check.take(row) is not None:
                    return
                yield row
        except JournalUnusable as reason:
            check.broken(reason.problem.what)

    def rows(self, after: int = 0) -> Iterator[Row]:
        """Raw rows in order, read in batches, so that no transaction stays open meanwhile.

        Of a damaged file all that stands before the damage, then JournalUnusable.
        """
        size = limits.COMMIT_BATCH_MAX
        while True:
            try:
                batch = self.ask(
                    f"SELECT {COLUMNS} FROM event WHERE seq > ? ORDER BY seq LIMIT ?",  # noqa: S608 - our own columns
                    (after, size),
                )
            except JournalUnusable:
                if size == 1:
                    raise
                size //= 2  # the damage lies somewhere in this batch: up to it, step by step
                continue
            if not batch:
                return
            for seq, at, kind, subject, stored, hash_ in batch:
                if tuple(map(type, (at, kind, subject, stored, hash_))) != TYPES:
                    raise damaged(self.path, f"event {seq} is not of the types it is to be of")
                yield Row(seq=seq, at=at, kind=kind, subject=subject, stored=stored, hash=hash_)
            after = batch[-1][0]

    def start(self) -> Head:
        """Where the chain starts: nowhere, or at the last event that was pruned."""
        pruned = self.pruned()
        return chain.START if pruned is None else Head(seq=pruned.last_seq, hash=pruned.last_hash)

    def start_if_known(self) -> Head:
        """start(), for a file that may be damaged anywhere."""
        try:
            return self.start()
        except JournalUnusable:
            return chain.START

    def noted(self) -> Head | None:
        """The head that was durable last, as its writer noted it beside this file."""
        found = noted(self.path)
        return found.head if found is not None and found.journal == self.journal() else None

    def pages(self) -> str | None:
        """What is wrong with the pages of the file and the types of its columns; None: nothing."""
        said = str(self._one("PRAGMA quick_check(1)"))
        return None if said == "ok" else said

    def table(self, name: str) -> list[tuple[Any, ...]]:
        """All of a small table, for recovering."""
        return self.ask(f"SELECT * FROM {name}")  # noqa: S608 - our own tables

    # snapshot.Source

    def snapshots(self) -> Iterable[bytes]:
        return [row[0] for row in self.ask("SELECT stored FROM snapshot ORDER BY seq DESC")]

    def hash_at(self, seq: int) -> str | None:
        found = self._one("SELECT hash FROM event WHERE seq = ?", seq)
        if found is not None:
            return self._hash(seq, found)
        start = self.start()
        return start.hash if start.seq == seq else None

    def pruned(self) -> Pruned | None:
        rows = self.ask(
            "SELECT seq, stored, hash FROM event WHERE kind = 'pruned' ORDER BY seq DESC LIMIT 1"
        )
        if not rows:
            return None
        body = self._event(*rows[0]).event.body
        return body if isinstance(body, Pruned) else None

    def _hash(self, seq: int, found: Any) -> str:
        if not isinstance(found, bytes):
            raise damaged(self.path, f"event {seq} has no hash")
        return found.hex()

    def _event(self, seq: int, stored: Any, hash_: Any) -> Recorded:
        if not isinstance(stored, bytes):
            raise damaged(self.path, f"event {seq} has no body")
        try:
            return envelope.read(stored, self._hash(seq, hash_))
        except UnknownKind as reason:
            raise unusable(
                self.path,
                "journal-unknown-kind",
                str(reason),
                "use the Bayroll that wrote it, or a newer one",
            ) from reason
        except Unreadable as reason:
            raise damaged(self.path, f"event {seq}: {reason}") from reason

    def _one(self, sql: str, *values: Any) -> Any:
        rows = self.ask(sql, values)
        return rows[0][0] if rows else None

    def ask(self, sql: str, values: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
        """Rows of one short question, for what else looks into the file."""
        with self._one_at_a_time:
            try:
                return self._connection.execute(sql, tuple(values)).fetchall()
            except (apsw.CorruptError, apsw.NotADBError, UnicodeDecodeError) as reason:
                raise damaged(self.path, str(reason)) from reason
            except apsw.Error as reason:
                raise unusable(
                    self.path,
                    "journal-unreachable",
                    f"it can't be read: {type(reason).__name__}: {reason}",
                    "see to the disk it lies on",
                ) from reason

    @contextmanager
    def _as_of_now(self) -> Iterator[None]:
        """All reads inside see one moment, whatever is committed meanwhile."""
        with self._one_at_a_time:
            outermost = not self._connection.in_transaction
            if outermost:
                self.ask("BEGIN")
            try:
                yield
            finally:
                if outermost:
                    self.ask("END")
