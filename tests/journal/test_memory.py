"""What only the journal in memory can do: take its time, and die half-way."""

from __future__ import annotations

import asyncio

import pytest

from poller.journal.memory import MemoryCommitter
from poller.journal.ports import CommitFailed
from tests.journal.made import listed


async def begun(journal: MemoryCommitter, turns: int) -> asyncio.Task[object]:
    task: asyncio.Task[object] = asyncio.create_task(journal.commit([listed("a")]))
    for _ in range(turns):
        await asyncio.sleep(0)
    return task


@pytest.mark.parametrize(("turns", "durable"), [(1, 0), (2, 1)])
async def test_a_kill_finds_a_commit_before_or_after_it_is_durable(
    turns: int, durable: int
) -> None:
    journal = MemoryCommitter()
    task = await begun(journal, turns)
    assert not task.done()
    assert len(journal.kill().read(0)) == durable
    await asyncio.gather(task, return_exceptions=True)


async def test_the_dead_write_nothing_more() -> None:
    journal = MemoryCommitter()
    after = journal.kill()
    with pytest.raises(CommitFailed, match="gone"):
        await journal.commit([listed("a")])
    assert (journal.read(0), after.read(0)) == ([], [])


async def test_each_commit_asks_how_long_it_takes() -> None:
    asked: list[float] = []

    def delay() -> float:
        asked.append(0.0)
        return 0.0

    journal = MemoryCommitter(delay=delay)
    await journal.commit([listed("a")])
    await journal.kill().commit([listed("b")])
    assert len(asked) == 2


async def test_what_was_given_before_a_failure_was_told_fails_though_it_is_over() -> None:
    def delay() -> float:
        journal.failing = None if asked else "full"
        asked.append(0.0)
        return 0.0

    asked: list[float] = []
    journal = MemoryCommitter(delay=delay)
    told = await asyncio.gather(
        journal.commit([listed("a")]), journal.commit([listed("b")]), return_exceptions=True
    )
    assert [type(one) for one in told] == [CommitFailed, CommitFailed]
    assert len(await journal.commit([listed("a")])) == 1
