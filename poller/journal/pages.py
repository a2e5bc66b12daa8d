"""The journal a page at a time, the newest first, however long it is: never all of it is read.

What is sought leads through an index; what no index knows is looked for among so many events only,
and the next page goes on from there.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from poller.journal import seeking
from poller.journal.reader import Reader
from poller.model import limits
from poller.model.canonical import stamp
from poller.model.events import Event, Recorded

STEP: Final = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class Sought:
    """Which events. None: any; empty: none. since is included, until is not. fits: what else is
    asked for."""

    subjects: Sequence[str] | None = None
    kinds: Sequence[str] | None = None
    since: datetime | None = None
    until: datetime | None = None
    fits: Callable[[Event], bool] = lambda event: True

    def has(self, event: Event) -> bool:
        return (
            (self.since is None or event.at >= self.since)
            and (self.until is None or event.at < self.until)
            and self.fits(event)
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """events: the newest first. older: `before` of the next page; None: there is none.

    It may hold fewer than were asked for, and have a next one: so far nothing else was found.
    """

    events: tuple[Recorded, ...]
    older: int | None


def page(
    reader: Reader, sought: Sought, *, after: int = 0, before: int | None = None, limit: int
) -> Page:
    """Events with after < seq < before. Raises JournalUnusable.

    Times lead to where the clock first showed them: one that was put back is met halfway.
    """
    if sought.since is not None:
        first = seeking.number_at(reader.ask, stamp(sought.since))
        if first is None:
            return Page(events=(), older=None)
        after = max(after, first - 1)
    if sought.until is not None:
        first = seeking.number_at(reader.ask, stamp(sought.until))
        before = min(first or seeking.SEQ_MAX, before or seeking.SEQ_MAX)
    found: list[Recorded] = []
    looked = 0
    for seqs in _steps(reader, sought, after, before):
        kinds = () if sought.subjects is None else sought.kinds or ()
        for recorded in reader.those(seqs, kinds=kinds):
            if sought.has(recorded.event):
                found.append(recorded)
            if len(found) == limit:
                return Page(events=tuple(found), older=recorded.seq)
        looked += len(seqs)
        if looked >= limits.PAGE_LOOKED_MAX:
            return Page(events=tuple(found), older=seqs[-1])
    return Page(events=tuple(found), older=None)


def _steps(
    reader: Reader, sought: Sought, after: int, before: int | None
) -> Iterator[Sequence[int]]:
    """Numbers of events that may be meant, falling, some at a time."""
    while seqs := _some(reader, sought, after, before):
        yield seqs
        before = seqs[-1]


def _some(reader: Reader, sought: Sought, after: int, before: int | None) -> Sequence[int]:
    ask, last = reader.ask, before or seeking.SEQ_MAX
    if sought.subjects is None and sought.kinds is None:
        return seeking.newest(ask, after=after, before=last, limit=STEP)
    column: seeking.Column = "kind"
    values = sought.kinds or ()
    if sought.subjects is not None and sought.kinds != ():
        column, values = "subject", sought.subjects
    return seeking.numbers(ask, column, values, after=after, before=last, limit=STEP)
