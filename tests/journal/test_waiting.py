"""What waits for the journal: in order, bounded, and kept while commits fail."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from datetime import UTC, datetime

import pytest

from poller.journal.memory import MemoryCommitter
from poller.journal.store import CommandRepeated
from poller.journal.waiting import Waiting
from poller.model import limits
from poller.model.events import ClockStepped, Event, Recorded
from tests.trials.virtual_loop import run

AT = datetime(2026, 3, 1, tzinfo=UTC)


def event(number: int) -> Event:
    return Event(at=AT, subject="", body=ClockStepped(by_ms=number))


class Bench:
    def __init__(self) -> None:
        self.committer = MemoryCommitter(delay=lambda: 0.1)
        self.durable: list[Recorded] = []
        self.left: Sequence[Event] | None = None
        self.waiting = Waiting(
            committer=self.committer, told=self.durable.extend, refused=self._refused
        )

    def _refused(self, left: Sequence[Event]) -> None:
        self.left = left

    @property
    def order(self) -> list[int]:
        return [recorded.event.body.by_ms for recorded in self.durable]  # type: ignore[attr-defined]


def on_a_bench(work: Callable[[Bench], Awaitable[None]]) -> None:
    async def whole() -> None:
        bench = Bench()
        task = asyncio.create_task(bench.waiting.run())
        await work(bench)
        task.cancel()

    run(whole())


def test_who_gives_up_waiting_takes_nothing_back() -> None:
    async def work(bench: Bench) -> None:
        bench.waiting.put([event(1)]).cancel()
        await bench.waiting.drained()
        assert bench.order == [1]

    on_a_bench(work)


def test_order_is_kept_however_the_batches_fall() -> None:
    async def work(bench: Bench) -> None:
        for number in range(40):
            bench.waiting.put([event(number)])
            if number % 7 == 0:
                await asyncio.sleep(0.03)
        await bench.waiting.drained()
        assert bench.order == list(range(40))

    on_a_bench(work)


def test_a_failed_commit_is_tried_again_and_loses_nothing() -> None:
    async def work(bench: Bench) -> None:
        bench.committer.failing = "the disk is full"
        bench.waiting.put([event(0)])
        await asyncio.sleep(5)
        bench.waiting.put([event(1)])
        assert bench.durable == []
        assert bench.waiting.failing == "the disk is full"
        bench.committer.failing = None
        await bench.waiting.drained()
        assert bench.order == [0, 1]
        assert bench.waiting.failing is None

    on_a_bench(work)


def test_it_says_full_at_its_bound_and_no_longer_once_written() -> None:
    async def work(bench: Bench) -> None:
        bench.committer.failing = "the disk is full"
        for number in range(limits.EVENTS_WAITING_MAX):
            assert not bench.waiting.full
            bench.waiting.put([event(number)])
        assert bench.waiting.full
        bench.committer.failing = None
        await bench.waiting.drained()
        assert not bench.waiting.full

    on_a_bench(work)


def test_a_command_waits_for_its_own_events() -> None:
    async def work(bench: Bench) -> None:
        durable = bench.waiting.put([event(7)], ("command-1", "{}"))
        assert bench.durable == []
        await durable
        assert bench.order == [7]
        assert bench.committer.answer("command-1") == "{}"

    on_a_bench(work)


def test_a_repeated_command_is_refused_and_the_rest_goes_on() -> None:
    async def work(bench: Bench) -> None:
        await bench.waiting.put([event(1)], ("command-1", "{}"))
        again = bench.waiting.put([event(2)], ("command-1", "{}"))
        bench.waiting.put([event(3)])
        with pytest.raises(CommandRepeated):
            await again
        await bench.waiting.drained()
        assert bench.order == [1, 3]
        assert bench.left == [event(3)]

    on_a_bench(work)
