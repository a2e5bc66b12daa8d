"""The journal as text, and what can be saved of a damaged one."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from itertools import islice
from pathlib import Path
from typing import TextIO

import apsw

from poller.journal import envelope
from poller.journal.chain import Broken, Check
from poller.journal.envelope import Unreadable
from poller.journal.file import JournalUnusable, damaged, unusable
from poller.journal.ports import Head
from poller.journal.reader import Reader
from poller.journal.store import Writer
from poller.model import limits


def export(reader: Reader, stream: TextIO, after: int = 0) -> int:
    """Events with seq > after, one JSON object a line: the envelope and its hash. Returns how many.

    Plain ASCII: what a device sent can't move a terminal's cursor. The hash can be checked from
    the line: the envelope without it, keys sorted, no spaces, in UTF-8, is what was stored.
    Raises JournalUnusable at an event that can't be read; those before it are written.
    """
    count = 0
    for row in reader.rows(after):
        try:
            event = envelope.parse(row.stored)
        except Unreadable as reason:
            raise damaged(reader.path, f"event {row.seq}: {reason}") from reason
        line = json.dumps(event | {"hash": row.hash.hex()}, ensure_ascii=True, sort_keys=True)
        stream.write(line + "\n")
        count += 1
    return count


@dataclass(frozen=True, slots=True, kw_only=True)
class Recovered:
    """kept: events copied; broken: the first that was not, None: all were."""

    kept: int
    head: Head
    broken: Broken | None


def recover(path: Path, new_path: Path) -> Recovered:
    """Copies the events up to the first broken one into a new journal, with what belongs to them.

    The new journal has a uuid of its own, so that no new event takes the id of a lost one that an
    output may have delivered. Cursors past its head are set back to it. The old file is only read.
    Raises JournalUnusable where nothing can be read of the one, or the other exists.
    """
    if new_path.exists():
        raise unusable(
            new_path, "journal-exists", "there is a file already", "name one that does not exist"
        )
    with Reader.open(path, torn=True) as old:
        check = Check(start=old.start_if_known(), head=old.noted())
        with _new(new_path) as new:
            rows = old.good(check)
            kept = 0
            while batch := list(islice(rows, limits.COMMIT_BATCH_MAX)):
                with new.transaction():
                    new.insert(batch)
                kept += len(batch)
            ended = check.end()
            with new.transaction():
                if not check.start_told:
                    _say_where_it_starts(old, new)
                _copy_the_rest(old, new, check.last.seq)
    broken = ended if isinstance(ended, Broken) else None
    return Recovered(kept=kept, head=check.last, broken=broken)


@contextmanager
def _new(path: Path) -> Iterator[Writer]:
    """Gone again where it could not be made to the end: nobody is to take a part for the whole."""
    try:
        with Writer.open(path) as new:
            yield new
    except BaseException:
        for end in ("", "-wal", "-shm", ".lock"):
            path.with_name(path.name + end).unlink(missing_ok=True)
        raise


def _say_where_it_starts(old: Reader, new: Writer) -> None:
    """The event that says what was pruned stood behind the broken one; without it no replay."""
    for pruned in old.history(kinds=["pruned"], newest_first=True, limit=1):
        new.append([replace(pruned.event, cause=pruned.id)])


def _copy_the_rest(old: Reader, new: Writer, head: int) -> None:
    """What outputs and people remember, as far as it can be read; samples stay behind."""
    for table in ("snapshot", "cursor", "retained", "command"):
        with suppress(JournalUnusable):
            rows = old.table(table)
            if table == "cursor":
                rows = [(output, min(seq, head)) for output, seq in rows if type(seq) is int]
            places = ", ".join("?" * len(rows[0])) if rows else ""
            for row in rows:
                with suppress(apsw.ConstraintError):  # a torn page keeps neither types nor keys
                    new.connection.execute(f"INSERT INTO {table} VALUES ({places})", row)  # noqa: S608 - our own tables
