"""The trial's clock: jumps when all sleep, fires ties in order, says who is stuck."""

from __future__ import annotations

import asyncio

import pytest

from tests.trials.virtual_loop import Deadlock, run


def test_a_week_of_sleep_takes_no_time() -> None:
    async def sleeper() -> float:
        await asyncio.sleep(7 * 86_400)
        return asyncio.get_running_loop().time()

    assert run(sleeper()) == pytest.approx(7 * 86_400)  # or the test's own time-out ends it


def test_equal_deadlines_fire_in_the_order_they_were_set() -> None:
    async def ties() -> list[int]:
        fired: list[int] = []
        loop = asyncio.get_running_loop()
        for number in range(200):
            loop.call_at(5.0, fired.append, number)
        await asyncio.sleep(6)
        return fired

    assert run(ties()) == list(range(200))


def test_a_deadlock_names_the_tasks() -> None:
    async def stuck() -> None:
        await asyncio.get_running_loop().create_task(asyncio.Event().wait(), name="for ever")

    with pytest.raises(Deadlock, match="for ever"):
        run(stuck())


def test_a_timeout_in_virtual_time() -> None:
    async def late() -> float:
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(3):
                await asyncio.sleep(10)
        return asyncio.get_running_loop().time()

    assert run(late()) == pytest.approx(3)


def test_no_thread_may_start() -> None:
    async def threaded() -> None:
        await asyncio.to_thread(print)

    with pytest.raises(RuntimeError, match="real time"):
        run(threaded())
