"""Whoever is to look does, once, a tick late at most, whatever the others do."""

from __future__ import annotations

import asyncio

from hypothesis import given
from hypothesis import strategies as st

from poller.edges.deadlines import TICK_S, Deadlines
from tests.trials.virtual_loop import run

SECONDS = st.floats(0, 30)


@given(asked=st.lists(st.tuples(SECONDS, SECONDS), max_size=20))
def test_everybody_looks_once_and_in_time(asked: list[tuple[float, float]]) -> None:
    """asked: after how many seconds somebody asks, and in how many the look is to come."""

    async def main() -> None:
        loop, deadlines = asyncio.get_running_loop(), Deadlines()
        looked = list[tuple[int, float]]()

        def ask(number: int, delay_s: float) -> None:
            due = loop.time() + delay_s
            deadlines.look_in(delay_s, lambda: looked.append((number, loop.time() - due)))

        for number, (after_s, delay_s) in enumerate(asked):
            loop.call_later(after_s, ask, number, delay_s)
        await asyncio.sleep(61)
        assert sorted(number for number, _ in looked) == list(range(len(asked)))
        assert all(-1e-6 <= late <= TICK_S + 1e-6 for _, late in looked)

    run(main())


def test_one_that_fails_holds_up_none_and_may_ask_again() -> None:
    async def main() -> None:
        deadlines, looked = Deadlines(), list[str]()

        def fails() -> None:
            deadlines.look_in(0, lambda: looked.append("again"))
            raise ZeroDivisionError

        deadlines.look_in(1, fails)
        deadlines.look_in(1, lambda: looked.append("beside"))
        await asyncio.sleep(2)
        assert looked == ["beside", "again"]

    run(main())
