"""Dropping the oldest events: never one that an output still owes, or that replay would need."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime, timedelta
from typing import Any, Final

from poller.journal import snapshot
from poller.journal.ports import Head
from poller.journal.reader import Reader
from poller.journal.snapshot import Snapshot
from poller.journal.store import Writer
from poller.model import limits
from poller.model.canonical import plain, stamp, whole_ms
from poller.model.events import Event, Pruned, Recorded

ROWS_BY_KIND: Final = "SELECT kind, count(*) FROM event WHERE seq <= ? GROUP BY kind"


def prune(
    writer: Writer, *, keep_days: int, now: datetime, required: Collection[str]
) -> Recorded | None:
    """Drops events older than keep_days; returns the `pruned` event, or None: nothing to drop.

    required: outputs whose cursor nothing is dropped before; one that has none yet keeps all. At
    most limits.PRUNE_EVENTS_MAX are dropped; call again for the rest. All or nothing: raises
    CommitFailed. Samples as old are dropped too.
    """
    reader = writer.reader
    cutoff = stamp(now - timedelta(days=keep_days))
    start = reader.start()
    last = _last_to_drop(reader, start, cutoff, required)
    last_hash = reader.hash_at(last)
    if last <= start.seq or last_hash is None:
        return None
    base = snapshot.to_bytes(
        Snapshot(hash=last_hash, state=snapshot.load_state(reader, until=last))
    )
    with writer.transaction():
        counts: Any = writer.connection.execute(ROWS_BY_KIND, (last,)).fetchall()
        body = Pruned(
            first_seq=start.seq + 1,
            last_seq=last,
            counts=dict(counts),
            last_hash=last_hash,
            base=base.decode(),
        )
        recorded = writer.append([Event(at=whole_ms(now), subject="", body=body)])
        writer.connection.execute("DELETE FROM event WHERE seq <= ?", (last,))
        writer.connection.execute("DELETE FROM snapshot WHERE seq < ?", (last,))
        writer.connection.execute("DELETE FROM sample WHERE at < ?", (cutoff,))
    return recorded[-1]


def removed(reader: Reader) -> dict[str, Any]:
    """All that was ever dropped and is still told of, as plain data: which events, how many of each
    kind, and the hash that the chain hangs on since. The head, so that one can tell until when."""
    head = reader.head()
    found: list[dict[str, Any]] = []
    after = 0
    while batch := reader.history(kinds=[Pruned.kind], after=after):  # one a day for years
        for one in batch:
            told = plain(one.event.body)
            del told["base"]  # the state before: it is the journal's, and long
            found.append({"seq": one.seq, "at": stamp(one.event.at), "hash": one.hash} | told)
        after = batch[-1].seq
    return {
        "schema": "bayroll/removed/1",
        "journal": reader.journal(),
        "head": plain(head),
        "removed": found,
    }


def _last_to_drop(reader: Reader, start: Head, cutoff: str, required: Collection[str]) -> int:
    """Behind everything that holds events back."""
    kept = reader.first_seq_since(cutoff)  # the wall clock may have stepped: all before it are old
    too_young = reader.head().seq + 1 if kept is None else kept
    return min(
        too_young - 1,
        snapshot.newest(reader),
        *(reader.cursor(output) for output in required),
        start.seq + limits.PRUNE_EVENTS_MAX,
    )
