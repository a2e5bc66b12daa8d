"""The pump on outputs that behave in every way an output can: no broker, no network."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from poller.journal.memory import MemoryCommitter
from poller.journal.ports import CommitFailed
from poller.model import events as ev
from poller.model import limits
from poller.model.backoff import Backoff
from poller.model.standing import State
from poller.publishing.port import Durable, Pump
from poller.publishing.ports import OutputStatus
from tests.publishing.world import House, Running, event, listed, seen, until


@dataclass
class Told:
    """An output whose behaviour a test gives: what to acknowledge of what it is told."""

    name: str = "told"
    answer: Callable[[list[Any]], int] = lambda events: events[-1].seq if events else 0
    batches: list[list[int]] = field(default_factory=list)
    states: list[int] = field(default_factory=list)
    ends: int = 0

    async def run(self) -> None:
        await asyncio.Event().wait()

    async def deliver(self, events: Any, state: State) -> int:
        self.batches.append([one.seq for one in events])
        self.states.append(state.seq)
        return self.answer(list(events))

    def status(self) -> OutputStatus:
        return OutputStatus(connected=True, says="fine")

    @property
    def seqs(self) -> list[int]:
        return [seq for batch in self.batches for seq in batch]


class Away(Told):
    """Waits, as an output does whose peer is away."""

    async def deliver(self, events: Any, state: State) -> int:
        self.batches.append([one.seq for one in events])
        try:
            await asyncio.Event().wait()
        finally:
            self.ends += 1
        return 0


async def house_of(count: int) -> House:
    house = House()
    await house.commit(listed(), *(seen(number) for number in range(count - 1)))
    return house


async def test_events_come_in_order_and_in_bounded_batches() -> None:
    house, output = await house_of(1_200), Told()
    async with Running(house.pump(output).run()):
        await until(lambda: len(output.seqs) == 1_200)
    assert output.seqs == list(range(1, 1_201))
    assert max(map(len, output.batches)) == limits.OUTPUT_BATCH_MAX


async def test_an_output_is_shown_the_state_once_even_with_nothing_to_deliver() -> None:
    house, output = House(), Told()
    async with Running(house.pump(output).run()):
        await until(lambda: output.batches)
        await asyncio.sleep(0.05)
    assert output.batches == [[]]


async def test_a_new_event_wakes_an_output_that_has_everything() -> None:
    house, output = await house_of(3), Told()
    async with Running(house.pump(output).run()):
        await until(lambda: output.seqs == [1, 2, 3])
        await house.commit(seen(9))
        await until(lambda: output.seqs == [1, 2, 3, 4])


async def test_who_keeps_up_is_told_what_was_committed_and_the_journal_is_not_read_again(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    house, output = await house_of(3), Told()
    async with Running(house.pump(output).run()):
        await until(lambda: output.seqs == [1, 2, 3])
        monkeypatch.delattr(MemoryCommitter, "read")
        await house.commit(seen(9))
        await until(lambda: output.seqs == [1, 2, 3, 4])


@pytest.mark.parametrize(
    ("committed", "after", "kept"),
    [
        ((), 0, None),
        ((3,), 0, [1, 2, 3]),
        ((3,), 2, [3]),
        ((3,), 3, []),
        ((2, 3), 1, [2, 3, 4, 5]),
        ((400, 200), 99, None),
        ((400, 200), 100, list(range(101, 601))),
    ],
)
async def test_the_newest_events_are_all_of_them_or_none(
    committed: tuple[int, ...], after: int, kept: list[int] | None
) -> None:
    house = House()
    first = [listed()]
    for count in committed:
        await house.commit(*first, *(seen(number) for number in range(count - len(first))))
        first = []
    newest = house.durable.newest(after)
    assert (None if newest is None else [one.seq for one in newest]) == kept


@pytest.mark.parametrize(("after", "kept"), [(3, None), (4, None), (5, [6, 7])])
async def test_a_long_event_is_read_from_the_journal(after: int, kept: list[int] | None) -> None:
    """A site file may have megabytes; those kept here are not to."""
    house = await house_of(4)
    long = ev.SiteLoaded(site="s", sha256="0", files={"site.yaml": "x" * 70_000})
    await house.commit(event(long, ""), seen(1), seen(2))
    newest = house.durable.newest(after)
    assert (None if newest is None else [one.seq for one in newest]) == kept


@pytest.mark.parametrize(("after", "kept"), [(1, None), (3, None), (4, [5])])
async def test_where_one_was_not_told_of_those_before_are_read(
    after: int, kept: list[int] | None
) -> None:
    house = await house_of(5)
    durable = Durable(State())
    for one in house.recorded:
        if one.seq != 4:
            durable.set(house.durable.state, [one])
    newest = durable.newest(after)
    assert (None if newest is None else [one.seq for one in newest]) == kept


async def test_nothing_is_delivered_before_it_is_durable() -> None:
    """The journal may be ahead of what the service was told; the state never lags the events."""
    house, output = await house_of(3), Told()
    early = Durable(State())
    pump = Pump(
        outputs=[output],
        durable=early,
        reader=house.journal,
        committer=house.journal,
        on_gap=house.on_gap,
    )
    async with Running(pump.run()):
        await until(lambda: output.batches)
        assert output.seqs == []
        early.set(house.durable.state, house.recorded)
        await until(lambda: output.seqs == [1, 2, 3])


async def test_a_partial_acknowledgement_brings_the_rest_again() -> None:
    house, output = await house_of(5), Told(answer=lambda events: events[0].seq if events else 0)
    async with Running(house.pump(output).run()):
        await until(lambda: [5] in output.batches)
    assert output.batches[:3] == [[1, 2, 3, 4, 5], [2, 3, 4, 5], [3, 4, 5]]


async def test_the_cursor_survives_the_pump() -> None:
    house, output = await house_of(5), Told()
    async with Running(house.pump(output).run()):
        await until(lambda: len(output.seqs) == 5)
    await house.commit(seen(9))  # notes are written with a commit
    again = Told()
    async with Running(house.pump(again).run()):
        await until(lambda: again.batches)
    assert again.seqs == [6]


async def test_a_failing_output_is_tried_again_and_its_neighbour_is_not_held_up() -> None:
    def broken(events: list[Any]) -> int:
        if len(output.batches) < 3:
            raise RuntimeError("no such luck")
        return events[-1].seq

    house, output, neighbour = await house_of(4), Told(), Told(name="neighbour")
    output.answer = broken
    pump = house.pump(output, neighbour)
    async with Running(pump.run()):
        await until(lambda: neighbour.seqs == [1, 2, 3, 4])
        await until(lambda: "no such luck" in pump.status()[0].says)
        await until(lambda: pump.status()[0].says == "fine")
    assert output.batches == [[1, 2, 3, 4]] * 3
    assert pump.status()[0].lag == 0


async def test_an_output_whose_connection_task_raises_is_started_again() -> None:
    class Restless(Told):
        async def run(self) -> None:
            self.ends += 1
            raise ValueError("again")

    house, output = await house_of(1), Restless()
    async with Running(house.pump(output).run()):
        await until(lambda: output.ends >= 2)


@pytest.mark.parametrize("wrong", [-1, 99])
async def test_an_acknowledgement_of_what_was_not_given_moves_no_cursor(wrong: int) -> None:
    house, output = await house_of(4), Told(answer=lambda events: wrong)
    pump = house.pump(output)
    async with Running(pump.run()):
        await until(lambda: len(output.batches) >= 2)
        assert pump.status()[0].cursor == 0
        assert f"acknowledged {wrong} of 1 to 4" in pump.status()[0].says


async def test_an_output_too_far_behind_skips_and_the_gap_is_told() -> None:
    house, output = await house_of(100), Told()
    async with Running(house.pump(output, lag_max=20).run()):
        await until(lambda: output.seqs)
        await until(lambda: output.seqs[-1] == 100)
    assert house.gaps == [("told", 1, 90)]
    assert output.seqs == list(range(91, 101))


async def test_an_output_whose_peer_is_away_skips_too() -> None:
    house, output = await house_of(10), Away()
    pump = house.pump(output, lag_max=20)
    async with Running(pump.run()):
        await until(lambda: output.batches)
        await house.commit(*(seen(number) for number in range(11)))
        await until(lambda: house.gaps)
        await until(lambda: len(output.batches) == 2)
        assert house.gaps == [("told", 1, 11)]
        assert output.ends == 1
        assert output.batches[1][0] == 12


async def test_events_that_the_journal_no_longer_holds_are_a_gap() -> None:
    house, output = await house_of(10), Told()

    class Pruned:
        def __getattr__(self, name: str) -> Any:
            return getattr(house.journal, name)

        def read(self, after: int, limit: int = 500) -> Any:
            return house.journal.read(max(after, 6), limit)

    pump = Pump(
        outputs=[output],
        durable=Durable(house.durable.state),  # as after a start
        reader=Pruned(),
        committer=house.journal,
        on_gap=house.on_gap,
    )
    async with Running(pump.run()):
        await until(lambda: output.seqs == [7, 8, 9, 10])
    assert house.gaps == [("told", 1, 6)]


async def test_a_cursor_that_could_not_be_noted_is_noted_later() -> None:
    house, output = await house_of(2), Told()
    failures, noted = [CommitFailed("disk full")], []

    class Notes:
        async def note_cursor(self, name: str, seq: int) -> None:
            if failures:
                raise failures.pop()
            noted.append(seq)

    pump = Pump(
        outputs=[output],
        durable=house.durable,
        reader=house.journal,
        committer=Notes(),  # type: ignore[arg-type]
        on_gap=house.on_gap,
    )
    async with Running(pump.run()):
        await until(lambda: noted == [2])
    assert output.seqs == [1, 2], "and nothing was delivered twice for it"


async def test_the_pump_ends_when_cancelled_while_its_outputs_wait() -> None:
    house, output = await house_of(2), Away()
    task = asyncio.ensure_future(house.pump(output).run())
    await until(lambda: output.batches)
    task.cancel()
    done, _ = await asyncio.wait((task,), timeout=2)
    assert done
    assert output.ends == 1


@given(
    seed=st.integers(0, 2**32),
    first_s=st.floats(0.01, 5),
    cap_s=st.floats(0.1, 100),
    tries=st.integers(1, 30),
)
def test_waits_double_up_to_the_cap(seed: int, first_s: float, cap_s: float, tries: int) -> None:
    backoff = Backoff(Random(seed), first_s=first_s, cap_s=cap_s)
    for number in range(tries):
        ceiling_s = min(cap_s, min(first_s, cap_s) * 2**number)
        assert ceiling_s / 2 * 0.999 <= backoff.next_s() <= ceiling_s * 1.001


def test_two_outputs_do_not_try_in_step() -> None:
    random = Random(1)
    one, other = (Backoff(random, first_s=1, cap_s=30) for _ in range(2))
    assert one.next_s() != other.next_s()
