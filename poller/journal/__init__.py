"""Durable events: the chain, its one writer, snapshots, samples, and what outputs remember.

Journal is public: it reads a journal file, beside a running service too.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from poller.journal.chain import Broken, Verified
from poller.journal.file import JournalUnusable
from poller.journal.pages import Page, Sought, page
from poller.journal.ports import Head
from poller.journal.reader import Reader
from poller.model.events import Recorded
from poller.model.standing import State

__all__ = ["Broken", "Head", "Journal", "JournalUnusable", "Page", "Sought", "Verified"]


class Journal:
    """A journal file, only ever read. Every method may raise JournalUnusable.

    for event in Journal.open(Path("bayroll.journal")).read(after=0): ...
    """

    def __init__(self, reader: Reader) -> None:
        self.reader = reader

    @classmethod
    def open(cls, path: Path) -> Journal:
        """path: of the file. Works while a service writes it, and on read-only media."""
        return cls(Reader.open(Path(path)))

    def read(self, after: int, limit: int = 500) -> list[Recorded]:
        """Events with seq > after, in order, at most limit; empty at the end.

        The first may be later than after + 1 where older ones were pruned.
        """
        return self.reader.read(after, limit)

    def history(
        self,
        *,
        subject: str | None = None,
        kinds: Sequence[str] | None = None,
        after: int = 0,
        before: int | None = None,
        limit: int = 500,
        newest_first: bool = False,
    ) -> list[Recorded]:
        """Like read(), of one subject (a relay's id) or some kinds only; None: any.

        newest_first: in falling order, so that limit keeps the newest.
        """
        return self.reader.history(
            subject=subject,
            kinds=kinds,
            after=after,
            before=before,
            limit=limit,
            newest_first=newest_first,
        )

    def page(
        self, sought: Sought, *, after: int = 0, before: int | None = None, limit: int = 50
    ) -> Page:
        """The newest first, of what is sought; however long the journal, so much is looked at."""
        return page(self.reader, sought, after=after, before=before, limit=limit)

    def state(self) -> State:
        """What the world looks like after the last event."""
        return self.reader.load_state()

    def head(self) -> Head:
        """The last event's seq and hash: note it elsewhere, and verify() can miss no tail."""
        return self.reader.head()

    def verify(self, head: Head | None = None) -> Verified | Broken:
        """Follows the whole chain; names the first event that is not as it was written.

        head: one that was noted elsewhere; the chain must pass through it.
        """
        return self.reader.verify(head)

    def close(self) -> None:
        self.reader.close()

    def __enter__(self) -> Journal:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
