"""Whether a journal is as it was written, before anything is added to it or told from it."""

from __future__ import annotations

from poller.journal.chain import Broken, Check
from poller.journal.file import Noted, cut, damaged
from poller.journal.ports import Head
from poller.journal.reader import Reader


def whole_head(reader: Reader, noted: Noted | None) -> Head:
    """The head, if all that leads to it is whole. Raises JournalUnusable.

    noted: the head that was durable last. That of another journal says nothing: a person put this
    file in its place.
    """
    trouble = reader.pages()
    if trouble is not None:
        raise damaged(reader.path, trouble)
    check = Check(start=reader.start())
    head = noted.head if noted is not None and noted.journal == reader.journal() else None
    there = head is None or head.seq <= check.last.seq
    for row in reader.rows():
        broken = check.glance(row)
        if broken is not None:
            raise damaged(reader.path, f"event {broken.seq}: {broken.reason}")
        there = there or (head is not None and (row.seq, row.hash.hex()) == (head.seq, head.hash))
    end = check.end()
    if isinstance(end, Broken):
        raise damaged(reader.path, f"event {end.seq}: {end.reason}")
    if head is not None and not there:
        if end.head.seq >= head.seq:
            raise damaged(reader.path, f"event {head.seq} is not the one that was written")
        raise cut(reader.path, head, end.head)
    _cursors(reader, end.head)
    return end.head


def _cursors(reader: Reader, head: Head) -> None:
    for output, seq in reader.table("cursor"):
        if seq > head.seq:
            raise damaged(
                reader.path, f"{output} is to have acknowledged event {seq}; the last is {head.seq}"
            )
