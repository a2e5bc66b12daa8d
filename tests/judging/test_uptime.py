"""By its uptime a relay is never said to have restarted when it only answered late."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from poller.judging.uptime import SLACK_S, Start

MOMENTS = st.floats(0, 1e6)
WAITS = st.floats(0, 30)  # until a request is on the wire, and until its answer came back


def reading(started: float, asked: float, sent: float, back: float, step_s: float = 1) -> Start:
    """As a relay tells it that counts whole steps: taken sent seconds after it was asked for."""
    counts = int((asked + sent - started) // step_s)
    return Start.told(
        int(counts * step_s), asked=asked, answered=asked + sent + back, step_s=step_s
    )


@given(started=MOMENTS, runs=MOMENTS, later=MOMENTS, waits=st.tuples(WAITS, WAITS, WAITS, WAITS))
def test_however_long_answers_take_one_start_is_one_start(
    started: float, runs: float, later: float, waits: tuple[float, float, float, float]
) -> None:
    first = reading(started, started + runs, waits[0], waits[1])
    second = reading(started, started + runs + later, waits[2], waits[3])
    assert first.agrees(second)
    assert second.agrees(first)
    assert not second.is_after(first)


@given(first=MOMENTS, counted=st.integers(0, 10**6), off=st.floats(-60, 60), took=WAITS, step=WAITS)
def test_the_same_start_told_again_is_one_that_agrees(
    first: float, counted: int, off: float, took: float, step: float
) -> None:
    """Both ways to ask are one rule."""
    before, asked = reading(first, first + 300, 0, 1), first + counted + off
    then = Start.told(counted, asked=asked, answered=asked + took, step_s=step)
    agrees, kept = then.agrees(before), replace(before)
    assert before.again(counted, asked, asked + took, step) == agrees
    assert before == (then if agrees else kept)


@given(started=MOMENTS, runs=st.floats(120, 1e6), dead=st.floats(0, 60), back=WAITS)
def test_a_restart_is_a_later_start(started: float, runs: float, dead: float, back: float) -> None:
    """Where the relay ran longer than an answer takes."""
    first = reading(started, started + runs, 0, back)
    second = reading(started + runs + dead, started + runs + dead + 5, 0, 0)
    assert second.is_after(first)
    assert not first.agrees(second)


def test_a_counter_in_hours_agrees_within_its_hour() -> None:
    first = reading(0, 3_599, 0, 0, step_s=3_600)
    second = reading(0, 3_601, 0, 0, step_s=3_600)
    assert (first.uptime_s, second.uptime_s) == (0, 3_600)
    assert second.agrees(first)


def test_a_clock_that_counts_a_little_late_is_let_pass() -> None:
    first = Start.told(100, asked=100, answered=100, step_s=0)
    assert Start.told(200, asked=200 + SLACK_S, answered=200 + SLACK_S, step_s=0).agrees(first)
    assert Start.told(200, asked=203, answered=203, step_s=0).is_after(first)
