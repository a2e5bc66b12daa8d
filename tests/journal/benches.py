"""The two journals under one contract: the file behind its thread, and the one in memory."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Protocol

from poller.journal.committer import ThreadCommitter
from poller.journal.memory import MemoryCommitter
from poller.journal.store import Reader, Writer


class Bench(Protocol):
    @property
    def committer(self) -> ThreadCommitter | MemoryCommitter: ...

    @property
    def reader(self) -> Reader | MemoryCommitter: ...

    def fill(self) -> None:
        """No room from here on for anything big."""

    def make_room(self) -> None: ...

    def kill(self) -> Bench:
        """As the next process finds it when this one ends now."""

    async def close(self) -> None: ...


class FileBench:
    """Its disk is filled by a bound on pages; a kill is a copy of the files as they lie there."""

    def __init__(self, folder: Path, *, notes_wait_s: float = 3_600) -> None:
        self._folder = folder
        self.writer = Writer.open(folder / "a.journal")
        self.committer = ThreadCommitter(self.writer, notes_wait_s=notes_wait_s)
        self.reader = Reader.open(folder / "a.journal")

    def fill(self) -> None:
        self.writer.connection.pragma("max_page_count", 1)  # SQLite takes what it has now

    def make_room(self) -> None:
        self.writer.connection.pragma("max_page_count", 1_000_000)

    def kill(self) -> FileBench:
        after = self._folder / "after"
        after.mkdir()
        for one in self._folder.glob("a.journal*"):
            shutil.copy(one, after)
        (after / "a.journal-shm").unlink()  # memory of the process that died
        return FileBench(after)

    async def close(self) -> None:
        await self.committer.close()
        self.reader.close()
        self.writer.close()


class MemoryBench:
    def __init__(self, journal: MemoryCommitter | None = None) -> None:
        self.committer = self.reader = journal or MemoryCommitter()

    def fill(self) -> None:
        self.committer.failing = "the disk is full"

    def make_room(self) -> None:
        self.committer.failing = None

    def kill(self) -> MemoryBench:
        return MemoryBench(self.committer.kill())

    async def close(self) -> None:
        await self.committer.close()
