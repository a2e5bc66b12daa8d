"""One host:port and the relays behind it, in virtual time, with a link that is a script."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from datetime import datetime
from itertools import pairwise
from random import Random
from typing import Any

import pytest
import structlog

from poller.edges.rounds import Unit
from poller.edges.schedule import ABSENT_CAP_S, Endpoint
from poller.edges.wire import Done, End
from poller.judging.findings import Moment
from poller.judging.watch import Dialogue, Watch
from poller.model import limits
from poller.reading.exchange import Garbled, NoReply, Outcome, Refused, Reply, match
from poller.reading.frames import Request, read
from poller.reading.read_plan import compile_map
from simulator.relay import Relay
from tests.judging.visits import PACE, larch, shipped, utc, visits
from tests.trials.virtual_loop import VirtualLoop, run

REPLY_S = 0.05
APART_S = 3.5  # requests so far apart are of two visits
ERRAND = read("holding", 0, 1)


class LoopClock:
    def mono(self) -> float:
        return asyncio.get_running_loop().time()

    def utc(self) -> datetime:
        return utc(self.mono())


@dataclass
class Link:
    """relays: by unit id; one that is missing never answers. asked: (seconds, unit, request)."""

    relays: dict[int, Relay]
    asked: list[tuple[float, int, Request]] = field(default_factory=list)
    answered: list[tuple[float, int]] = field(default_factory=list)
    closed: list[float] = field(default_factory=list)
    fault: Callable[[int, Request], Outcome | None] = lambda _unit, _request: None
    connected: bool = False
    _closing: asyncio.Event = field(default_factory=asyncio.Event)
    _under_way: asyncio.Task[None] | None = None

    def begin(self, unit: int, request: Request, timeout_s: float, now: float, done: Done) -> bool:
        """As ask(), on a connection that stands."""
        if self.connected:
            self._under_way = asyncio.create_task(self._begun(unit, request, timeout_s, done))
        return self.connected

    async def _begun(self, unit: int, request: Request, timeout_s: float, done: Done) -> None:
        outcome = await self.ask(unit, request, timeout_s)
        at = asyncio.get_running_loop().time()
        match outcome:
            case Reply():
                done(outcome.pdu, at)
            case Refused():
                done(bytes((request.function | 0x80, outcome.code)), at)
            case Garbled():
                done(b"", at)
            case NoReply(reason="closed"):
                done(ConnectionResetError("closed"), at)
            case NoReply():
                done(TimeoutError(outcome.reason), at)

    def outcome(self, request: Request, end: End) -> Outcome:
        return match(request, end) if isinstance(end, bytes) else NoReply(reason=str(end))

    async def ask(self, unit: int, request: Request, timeout_s: float) -> Outcome:
        loop = asyncio.get_running_loop()
        self.asked.append((loop.time(), unit, request))
        self.connected = True
        self._closing.clear()
        relay = self.relays.get(unit)
        try:
            async with asyncio.timeout(timeout_s if relay is None else REPLY_S):
                await self._closing.wait()
        except TimeoutError:
            pass
        else:
            return NoReply(reason="closed")
        if relay is None:
            return NoReply(reason=f"no reply within {timeout_s:g} s")
        relay.advance(utc(loop.time()))
        self.answered.append((loop.time(), unit))
        return self.fault(unit, request) or match(request, relay.reply(request.pdu))

    async def close(self) -> None:
        self.closed.append(asyncio.get_running_loop().time())
        self.connected = False
        self._closing.set()

    def visits(self, unit: int) -> list[float]:
        """When visits of the unit began: each first request after a while without one."""
        times = [at for at, asked, _ in self.asked if asked == unit]
        return times[:1] + [later for at, later in pairwise(times) if later - at > APART_S]

    def made(self) -> list[tuple[float, int]]:
        """When visits that were answered ended, and of which unit."""
        ends: list[tuple[float, int]] = []
        for unit in self.relays:
            times = [at for at, answering in self.answered if answering == unit]
            last = [at for at, later in pairwise(times) if later - at > APART_S]
            ends += [(at, unit) for at in [*last, *times[-1:]]]
        return sorted(ends)


@dataclass(slots=True)
class Bench:
    link: Link
    endpoint: Endpoint


def watch(first_s: float = 0.0) -> Watch:
    return Watch(
        pace=PACE,
        maps=[compile_map(shipped("larch"))],
        memory=visits(larch()).settle().watch.memory,  # long known: nothing to tell
        next_status=first_s,
        next_nameplate=first_s,
    )


@asynccontextmanager
async def polling(
    starts: Sequence[float],
    *,
    absent: Sequence[int] = (),
    gateway: bool = False,
    held: bool = False,
) -> AsyncIterator[Bench]:
    """Units 1, 2, ... with these first visits; absent: those that never answer."""
    numbers = range(1, len(starts) + 1)
    link = Link({number: larch() for number in numbers if number not in absent})
    endpoint = Endpoint(
        link=link,
        units=[
            Unit(relay=f"r{number}", unit=number, watch=watch(start))
            for number, start in zip(numbers, starts, strict=True)
        ],
        clock=LoopClock(),
        random=Random(7),
        gateway=gateway,
        held=held,
        told=lambda unit, found: None,
    )
    task = asyncio.create_task(endpoint.run(), name="endpoint")
    try:
        yield Bench(link=link, endpoint=endpoint)
        assert not task.done()
    finally:
        task.cancel()
        await asyncio.wait([task])


def test_each_relay_is_asked_when_it_is_due_and_keeps_its_phase() -> None:
    async def main() -> None:
        async with polling([20.0, 5.0, 40.0], gateway=True) as bench:
            await asyncio.sleep(100)
            assert [unit for _, unit in bench.link.made()] == [2, 1, 3, 2, 1]
            await asyncio.sleep(1_500)
            for unit, start in ((1, 20.0), (2, 5.0), (3, 40.0)):
                assert all((at - start) % 60 == 0 for at in bench.link.visits(unit))
                assert len(bench.link.visits(unit)) in (26, 27)

    run(main())


def test_relays_due_together_are_asked_in_turn_and_none_is_left_out() -> None:
    async def main() -> None:
        async with polling([0.0] * 8, gateway=True) as bench:
            await asyncio.sleep(601)
            counts = {unit: len(bench.link.visits(unit)) for unit in range(1, 9)}
            assert set(counts.values()) == {11}

    run(main())


def test_a_poller_that_slept_does_not_make_up_for_missed_visits() -> None:
    async def main() -> None:
        async with polling([0.0]) as bench:
            watched = bench.endpoint.units[0].watch
            await asyncio.sleep(5)
            watched.next_status = -9_960.0  # as after hours of sleep
            await bench.endpoint.set_paused("r1", False)  # looks again
            await asyncio.sleep(54)
            assert len(bench.link.made()) == 2

    run(main())


# Pausing.


def test_a_pause_closes_at_once_and_gives_up_the_visit() -> None:
    async def main() -> None:
        async with polling([10.0], absent=[1], held=True) as bench:
            await asyncio.sleep(11)
            assert len(bench.link.asked) == 1
            await bench.endpoint.set_paused("r1", True)
            assert bench.link.closed == [11.0]
            await asyncio.sleep(1_000)
            assert bench.link.made() == []
            assert len(bench.link.asked) == 1

    run(main())


def test_a_pause_is_no_miss_and_a_resumed_relay_is_asked_at_once() -> None:
    async def main() -> None:
        async with polling([10.0], absent=[1]) as bench:
            await asyncio.sleep(11)
            await bench.endpoint.set_paused("r1", True)
            await asyncio.sleep(100)
            assert bench.endpoint.units[0].watch.misses == 0
            bench.link.relays[1] = larch()
            await bench.endpoint.set_paused("r1", False)
            await asyncio.sleep(1)
            assert [unit for _, unit in bench.link.made()] == [1]

    run(main())


def test_the_others_behind_a_gateway_go_on_while_one_is_paused() -> None:
    async def main() -> None:
        async with polling([10.0, 20.0], gateway=True) as bench:
            await bench.endpoint.set_paused("r1", True)
            await asyncio.sleep(600)
            assert {unit for _, unit in bench.link.made()} == {2}
            assert len(bench.link.made()) == 10

    run(main())


class EarlyLoop(VirtualLoop):
    """Its timers are up to a millisecond early, as those of a loop that counts in milliseconds."""

    def call_later(self, delay: float, *args: Any, **more: Any) -> asyncio.TimerHandle:
        return super().call_later(max(delay - 0.0009, 0.0), *args, **more)


def test_a_timer_that_is_early_makes_no_visit_early_and_none_twice() -> None:
    async def main() -> None:
        async with polling([0.0], held=True) as bench:
            await asyncio.sleep(599)
            first, *later = bench.link.visits(1)
            assert [first, *(int(at) for at in later)] == [60 * number for number in range(10)]
            assert len(bench.link.made()) == 10

    with asyncio.Runner(loop_factory=EarlyLoop) as runner:
        runner.run(main())


# Absent units.


def test_an_absent_unit_backs_off_and_the_others_keep_their_interval() -> None:
    async def main() -> None:
        async with polling([0.0, 30.0], absent=[1], gateway=True) as bench:
            await asyncio.sleep(7_200)
            away = bench.link.visits(1)
            gaps = [later - at for at, later in pairwise(away)]
            assert max(gaps) <= ABSENT_CAP_S + PACE.reply_timeout_s + 1
            # drawn from the upper half: 120 visits at the interval, at most 48 and at least 24 here
            assert 24 <= len(away) <= 52
            present = bench.link.visits(2)
            assert len(present) == 120
            # held up by no more than one time-out
            assert all((at - 30) % 60 <= PACE.reply_timeout_s for at in present)

    run(main())


def test_an_absent_unit_that_comes_back_is_asked_at_its_interval_again() -> None:
    async def main() -> None:
        async with polling([0.0, 30.0], absent=[1], gateway=True) as bench:
            await asyncio.sleep(3_600)
            bench.link.relays[1] = larch()
            await asyncio.sleep(ABSENT_CAP_S + 60)
            before = len(bench.link.visits(1))
            await asyncio.sleep(600)
            assert len(bench.link.visits(1)) - before in (10, 11)

    run(main())


def test_a_unit_that_the_gateway_says_is_away_backs_off_too() -> None:
    async def main() -> None:
        async with polling([0.0], gateway=True) as bench:
            bench.link.fault = lambda _unit, _request: Refused(code=0x0B)
            await asyncio.sleep(7_200)
            assert len(bench.link.asked) <= 52

    run(main())


def test_a_direct_relay_that_is_silent_is_asked_once_an_interval() -> None:
    async def main() -> None:
        async with polling([0.0], absent=[1]) as bench:
            await asyncio.sleep(3_599)
            assert len(bench.link.asked) == 60

    run(main())


# Errands.


def test_an_errand_is_answered_between_two_visits() -> None:
    async def main() -> None:
        async with polling([0.0]) as bench:
            await asyncio.sleep(10)
            outcome = await bench.endpoint.errand(1, ERRAND, 3.0)
            assert outcome == match(ERRAND, larch().reply(ERRAND.pdu))
            assert asyncio.get_running_loop().time() == pytest.approx(10 + REPLY_S)

    run(main())


def test_an_errand_waits_for_the_visit_under_way() -> None:
    async def main() -> None:
        async with polling([0.0], absent=[1]) as bench:
            await asyncio.sleep(1)
            outcome = await bench.endpoint.errand(1, ERRAND, 2.0)
            assert outcome == NoReply(reason="no reply within 2 s")
            assert [at for at, _, request in bench.link.asked if request == ERRAND] == [3.0]

    run(main())


def test_errands_are_made_while_the_relay_is_paused() -> None:
    async def main() -> None:
        async with polling([0.0]) as bench:
            await bench.endpoint.set_paused("r1", True)
            await bench.endpoint.errand(1, ERRAND, 3.0)
            assert bench.link.closed[-1] == pytest.approx(asyncio.get_running_loop().time())

    run(main())


def test_errands_past_the_bound_are_refused_at_once() -> None:
    async def main() -> None:
        async with polling([0.0], absent=[1]) as bench:
            await asyncio.sleep(1)
            waiting = [
                asyncio.create_task(bench.endpoint.errand(1, ERRAND, 1.0))
                for _ in range(limits.ERRANDS_MAX)
            ]
            await asyncio.sleep(0)
            outcome = await bench.endpoint.errand(1, ERRAND, 1.0)
            assert isinstance(outcome, NoReply)
            assert "too many" in outcome.reason
            assert all(isinstance(one, NoReply) for one in await asyncio.gather(*waiting))

    run(main())


def test_an_errand_that_nobody_waits_for_any_more_harms_nobody() -> None:
    async def main() -> None:
        async with polling([0.0], absent=[1]) as bench:
            await asyncio.sleep(1)
            given_up = asyncio.create_task(bench.endpoint.errand(1, ERRAND, 1.0))
            await asyncio.sleep(2.5)
            given_up.cancel()
            await asyncio.sleep(100)
            assert len(bench.link.visits(1)) == 2

    run(main())


def test_errands_waiting_or_under_way_are_answered_when_polling_ends() -> None:
    async def main() -> None:
        async with polling([100.0], absent=[1]) as bench:
            errands = [asyncio.create_task(bench.endpoint.errand(1, ERRAND, 9.0)) for _ in "12"]
            await asyncio.sleep(1)
        outcomes = await asyncio.gather(*errands)
        assert all(isinstance(one, NoReply) for one in outcomes)

    run(main())


def test_who_becomes_due_while_the_line_waits_is_visited_then() -> None:
    async def main() -> None:
        async with polling([0.0], held=True) as bench:
            await asyncio.sleep(PACE.status_s + 30)
            [unit] = bench.endpoint.units
            due = asyncio.get_running_loop().time() + 1
            assert unit.watch.due > due + 5
            unit.watch.next_nameplate = due
            bench.endpoint.look_again()
            await asyncio.sleep(5)
            assert due in [at for at, _, _ in bench.link.asked]

    run(main())


def test_a_pause_at_the_very_moment_at_which_a_visit_is_due_comes_first() -> None:
    async def main() -> None:
        async with polling([0.0], held=True) as bench:
            await asyncio.sleep(30)
            [unit] = bench.endpoint.units
            unit.watch.look_again(30.0)  # a visit that is no routine
            bench.endpoint._rounds._woken()
            before = len(bench.link.asked)
            await bench.endpoint.set_paused("r1", True)
            await asyncio.sleep(100)
            assert len(bench.link.asked) == before

    run(main())


def test_an_interruption_at_the_very_moment_at_which_a_visit_is_due_does_not_double_it() -> None:
    async def main() -> None:
        async with polling([0.0], held=True) as bench:
            loop = asyncio.get_running_loop()
            loop.call_at(60.0, bench.endpoint._rounds.interrupt)  # on the timer before its own
            await asyncio.sleep(70)
            assert [int(at) for at, _, _ in bench.link.asked if at > 1] == [60]

    run(main())


# Held, or closed after each visit.


def test_a_connection_that_is_not_held_is_closed_after_each_visit() -> None:
    async def main() -> None:
        async with polling([0.0]) as bench:
            await asyncio.sleep(600)
            assert bench.link.closed == [at for at, _ in bench.link.made()]

    run(main())


def test_a_connection_that_is_held_is_never_closed() -> None:
    async def main() -> None:
        async with polling([0.0], held=True) as bench:
            await asyncio.sleep(600)
            assert len(bench.link.made()) > 9
            assert bench.link.closed == []

    run(main())


def test_a_gateway_is_closed_once_for_units_that_are_due_one_after_another() -> None:
    async def main() -> None:
        async with polling([0.0, 0.5, 30.0], gateway=True) as bench:
            await asyncio.sleep(59)
            assert [unit for _, unit in bench.link.made()] == [1, 2, 3]
            assert bench.link.closed == [at for at, _ in bench.link.made()[1:]]

    run(main())


def test_the_end_of_polling_closes() -> None:
    async def main() -> None:
        async with polling([0.0], held=True) as bench:
            await asyncio.sleep(10)
        assert bench.link.closed == [10.0]

    run(main())


# Faults of our own.


def test_a_fault_of_ours_in_one_visit_does_not_end_the_endpoint() -> None:
    class Faulty(Watch):
        def poll(self, now: Moment) -> Dialogue:
            raise ZeroDivisionError

    async def main() -> None:
        async with polling([0.0, 1.0], gateway=True) as bench:
            good = bench.endpoint.units[0].watch
            bench.endpoint.units[0].watch = Faulty(
                pace=PACE, maps=good.maps, memory=good.memory, next_status=0, next_nameplate=0
            )
            await asyncio.sleep(600)
            assert {unit for _, unit in bench.link.made()} == {2}
            assert len(bench.link.made()) == 10

    with structlog.testing.capture_logs() as logs:
        run(main())
    failed = [log for log in logs if log["event"] == "visit_failed"]
    assert {log["relay"] for log in failed} == {"r1"}
    assert 10 <= len(failed) <= 11  # at the interval, not in a tight loop


def test_a_connection_that_takes_nothing_is_no_end_of_the_endpoint() -> None:
    async def main() -> None:
        async with polling([0.0], held=True) as bench:
            await asyncio.sleep(30)
            begin = bench.link.begin

            def raising(*_: object) -> bool:
                raise RuntimeError("the handle is closed")

            bench.link.begin = raising  # type: ignore[method-assign,assignment]
            await asyncio.sleep(120)
            before = len(bench.link.made())
            bench.link.begin = begin  # type: ignore[method-assign]
            await asyncio.sleep(120)
            assert len(bench.link.made()) == before + 2

    with structlog.testing.capture_logs() as logs:
        run(main())
    assert [log["event"] for log in logs] == ["visit_failed"]
