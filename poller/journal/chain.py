"""The chain: each event's hash covers the one before, so that nothing in between changes unseen.

hash = SHA-256(previous hash + bytes as stored); before the first event it is 32 zero bytes. What
the chain can't tell is a tail cut off: for that the head (seq, hash) is kept elsewhere too.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from hashlib import sha256
from typing import Any, Final

from poller.journal import envelope
from poller.journal.envelope import NotStorable, Unreadable
from poller.journal.ports import Head
from poller.model.canonical import stamp
from poller.model.events import Event, Recorded

START: Final = Head(seq=0, hash="00" * 32)
"""Before the first event. After pruning the chain starts at the last event that was dropped."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One row of the event table, as it lies there."""

    seq: int
    at: str
    kind: str
    subject: str
    stored: bytes
    hash: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Verified:
    """All is as it was written. count: events that are there, without those that were pruned."""

    head: Head
    count: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Broken:
    """seq: the first event that is not as it was written; kept: the last one that is."""

    seq: int
    reason: str
    kept: Head


def link(previous: bytes, stored: bytes) -> bytes:
    """The hash of an event. previous: 32 bytes."""
    return sha256(previous + stored).digest()


def event_id(journal: str, seq: int) -> str:
    """journal: its uuid."""
    return f"{journal}-{seq}"


def record(journal: str, head: Head, events: Sequence[Event]) -> tuple[Recorded, ...]:
    """Events with their place after head, as a reader will find them. Raises NotStorable.

    They are read back here and now: what can't be read is not to become durable.
    """
    recorded: list[Recorded] = []
    seq, previous = head.seq, bytes.fromhex(head.hash)
    for event in events:
        seq += 1
        stored = envelope.write(seq, event_id(journal, seq), event)
        previous = link(previous, stored)
        try:
            recorded.append(envelope.read(stored, previous.hex()))
        except (Unreadable, envelope.UnknownKind) as reason:
            raise NotStorable(str(reason)) from reason
    return tuple(recorded)


def row(recorded: Recorded) -> Row:
    """Of an event as record() gives it."""
    event = recorded.event
    return Row(
        seq=recorded.seq,
        at=stamp(event.at),
        kind=event.body.kind,
        subject=event.subject,
        stored=recorded.stored,
        hash=bytes.fromhex(recorded.hash),
    )


def verify(rows: Iterable[Row], head: Head | None = None, start: Head = START) -> Verified | Broken:
    """Follows rows, in order, from start; names the first that is broken.

    head: one that was noted elsewhere; the chain must pass through it.
    """
    check = Check(start=start, head=head)
    for one in rows:
        broken = check.take(one)
        if broken is not None:
            return broken
    return check.end()


class Check:
    """verify(), a row at a time, for who has to read them from a file that may be damaged."""

    def __init__(self, *, start: Head = START, head: Head | None = None) -> None:
        self.last = start
        self._start, self._noted = start, head
        self._count = 0
        self._found: Broken | None = None
        self.start_told = start == START  # an event was met that says where the chain starts

    def take(self, row: Row) -> Broken | None:
        """The next row; what is wrong with it, if anything. Nothing may follow a broken one."""
        if row.seq != self.last.seq + 1:
            return self.broken(f"event {self.last.seq + 1} is missing; {row.seq} follows")
        hash_now = link(bytes.fromhex(self.last.hash), row.stored)
        if hash_now != row.hash:
            return self.broken("its bytes or its hash were changed, or those before it")
        try:
            found = envelope.parse(row.stored)
        except Unreadable as reason:
            return self.broken(str(reason))
        told = _disagreement(row, found)
        if told is not None:
            return self.broken(told)
        noted = self._noted
        if noted is not None and row.seq == noted.seq and hash_now.hex() != noted.hash:
            return self.broken(f"its hash is not the one that was noted: {noted.hash}")
        if found["kind"] == "pruned":
            self.start_told = self.start_told or _names(found["body"], self._start)
        self.last = Head(seq=row.seq, hash=hash_now.hex())
        self._count += 1
        return None

    def glance(self, row: Row) -> Broken | None:
        """As take(), ten times as fast where the bytes begin and end as the columns say.

        Any change of the bytes breaks the hash; only what is spelled otherwise is parsed.
        """
        plain = (
            row.kind != "pruned"
            and row.seq == self.last.seq + 1
            and (self._noted is None or row.seq != self._noted.seq)
            and row.stored.startswith(f'{{"at":"{row.at}",'.encode())
            and row.stored.endswith(
                f'-{row.seq}","kind":"{row.kind}","seq":{row.seq},'
                f'"subject":"{row.subject}","v":1}}'.encode()
            )
        )
        if not plain:
            return self.take(row)
        if link(bytes.fromhex(self.last.hash), row.stored) != row.hash:
            return self.take(row)
        self.last = Head(seq=row.seq, hash=row.hash.hex())
        self._count += 1
        return None

    def end(self) -> Verified | Broken:
        """What holds after the last row, or the first broken one."""
        if self._found is not None:
            return self._found
        if not self.start_told:
            return Broken(
                seq=self._start.seq + 1,
                reason="the events before it are gone, and no event says that they were pruned",
                kept=self._start,
            )
        noted = self._noted
        if noted is not None and noted.seq > self.last.seq:
            return self.broken(
                f"the journal ends at {self.last.seq}; {noted.seq} was noted as its head"
            )
        if noted is not None and noted.seq < self._start.seq:
            return Broken(
                seq=noted.seq,
                reason=f"pruned since: the journal begins after {self._start.seq}",
                kept=self.last,
            )
        if noted is not None and noted.seq == self._start.seq and noted.hash != self._start.hash:
            return Broken(
                seq=noted.seq,
                reason=f"its hash is not the one that was noted: {noted.hash}",
                kept=self._start,
            )
        return Verified(head=self.last, count=self._count)

    def broken(self, reason: str) -> Broken:
        """The event after the last good one is at fault."""
        self._found = Broken(seq=self.last.seq + 1, reason=reason, kept=self.last)
        return self._found


def _disagreement(row: Row, found: dict[str, Any]) -> str | None:
    """What the columns, which the chain does not cover, say otherwise than the envelope."""
    for name in ("seq", "at", "kind", "subject"):
        if getattr(row, name) != found[name]:
            return f"the column {name} says {getattr(row, name)!r}, the event {found[name]!r}"
    if not found["id"].endswith(f"-{row.seq}"):
        return f"its id {found['id']!r} is not that of event {row.seq}"
    return None


def _names(pruned: dict[str, Any], start: Head) -> bool:
    return bool(pruned.get("last_seq") == start.seq and pruned.get("last_hash") == start.hash)
