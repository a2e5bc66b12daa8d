"""What is owed and does not go on is found; what is only slow, silent or failing is not."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence

import pytest

from poller.edges.progress import Part, Progress
from poller.edges.schedule import SLACK_S, Endpoint
from poller.journal.ports import CommitFailed
from poller.journal.waiting import Waiting
from poller.model.events import ClockStepped, Event, Recorded
from poller.reading.exchange import NoReply, Outcome
from poller.reading.frames import Request
from tests.edges.test_schedule import ERRAND, polling
from tests.judging.visits import PACE, utc
from tests.trials.virtual_loop import run

LOOK_S = 5.0

# at second: owes, turns -> what is told; patience 10 s, looked at every 5 s
COURSES = """
idle for ever           -.0  -.0  -.0  -.0  -.0  -.0   ......
busy and turning        o.0  o.1  o.2  o.3  o.4  o.5   ......
stands still            o.0  o.0  o.0  o.0  o.0  o.0   ...!!!
stands, then turns      o.0  o.0  o.0  o.0  o.1  o.1   ...!..
one turn puts it off    o.0  o.0  o.1  o.1  o.1  o.1   .....!
rests in between        o.0  o.0  -.0  o.0  o.0  o.0   ......
"""


@pytest.mark.parametrize("course", COURSES.strip().splitlines())
def test_a_part_that_owes_and_takes_no_turn_is_told_after_its_patience(course: str) -> None:
    *steps, told = course[24:].split()
    progress = Progress()
    found = ""
    for number, step in enumerate(steps):
        part = Part(name="x", owes=step[0] == "o", turns=int(step[2:]), patience_s=10.0)
        found += "!" if progress.stuck(number * LOOK_S, [part]) else "."
    assert found == told


def test_the_part_that_is_over_furthest_is_named() -> None:
    progress = Progress()
    parts = [
        Part(name=name, owes=True, turns=0, patience_s=patience_s)
        for name, patience_s in (("slow", 40.0), ("stuck", 10.0), ("well", 90.0))
    ]
    assert progress.stuck(0.0, parts) is None
    says = progress.stuck(60.0, parts)
    assert says == "stuck: nothing was done for 60 s, though something is due"


async def looked_at(part: Callable[[], Part], for_s: float) -> float | None:
    """After how many seconds it was told to be stuck."""
    progress, loop = Progress(), asyncio.get_running_loop()
    began = loop.time()
    while loop.time() - began < for_s:
        if progress.stuck(loop.time(), [part()]):
            return loop.time() - began
        await asyncio.sleep(LOOK_S)
    return None


async def polled(endpoint: Endpoint, for_s: float = 2_000.0) -> float | None:
    return await looked_at(lambda: endpoint.part("127.1.0.1:502"), for_s)


# Polling.


@pytest.mark.parametrize("absent", [(), (1,), tuple(range(1, 9))], ids=["none", "one", "all"])
def test_relays_that_are_silent_behind_a_slow_gateway_are_no_standstill(
    absent: Sequence[int],
) -> None:
    async def main() -> None:
        async with polling([0.0] * 8, absent=absent, gateway=True) as bench:
            assert await polled(bench.endpoint) is None

    run(main())


def test_a_person_who_asks_patiently_is_waited_for() -> None:
    async def main() -> None:
        async with polling([100.0], absent=[1]) as bench:
            asked = asyncio.create_task(bench.endpoint.errand(1, ERRAND, 300.0))
            assert await polled(bench.endpoint, 400.0) is None
            assert isinstance(await asked, NoReply)

    run(main())


class Hangs:
    """A link whose deadline never comes."""

    async def ask(self, unit: int, request: Request, timeout_s: float) -> Outcome:
        await asyncio.sleep(100_000.0)
        raise AssertionError

    async def close(self) -> None:
        pass


def test_a_connection_that_waits_for_ever_is_found() -> None:
    async def main() -> None:
        async with polling([0.0, 0.0]) as bench:
            await asyncio.sleep(100.0)
            assert await polled(bench.endpoint, 100.0) is None
            bench.endpoint.link = Hangs()
            longest_s = 4 * PACE.reply_timeout_s + 2 * PACE.rest_ms / 1000 + SLACK_S
            found_s = await polled(bench.endpoint)
            assert found_s is not None
            assert longest_s < found_s < longest_s + PACE.status_s + 2 * LOOK_S

    run(main())


def test_a_relay_that_is_paused_is_owed_nothing() -> None:
    async def main() -> None:
        async with polling([0.0]) as bench:
            await bench.endpoint.set_paused("r1", True)
            assert await polled(bench.endpoint) is None

    run(main())


# Writing.


def event() -> Event:
    return Event(at=utc(0.0), subject="", body=ClockStepped(by_ms=5_000))


def written(commit: Callable[[], Awaitable[tuple[Recorded, ...]]]) -> float | None:
    """Whether a journal with this way to commit is told to stand still, within an hour."""

    class Commits:
        async def commit(self, *_: object, **__: object) -> tuple[Recorded, ...]:
            return await commit()

    async def main() -> float | None:
        waiting = Waiting(
            committer=Commits(),  # type: ignore[arg-type]
            told=lambda _: None,
            refused=lambda _: None,
        )
        task = asyncio.create_task(waiting.run())
        waiting.put([event()])
        try:
            return await looked_at(
                lambda: Part(
                    name="journal", owes=waiting.events > 0, turns=waiting.turns, patience_s=300.0
                ),
                3_600.0,
            )
        finally:
            task.cancel()

    return run(main())


def test_a_disk_that_is_full_is_no_standstill() -> None:
    async def full() -> tuple[Recorded, ...]:
        raise CommitFailed("disk full")

    assert written(full) is None


def test_a_disk_that_hangs_is_found() -> None:
    async def hangs() -> tuple[Recorded, ...]:
        await asyncio.sleep(100_000.0)
        return ()

    assert written(hangs) == 305.0


def test_what_is_written_in_time_is_no_standstill() -> None:
    async def slow() -> tuple[Recorded, ...]:
        await asyncio.sleep(200.0)
        return ()

    assert written(slow) is None
