"""A figure beside its target: marks and bar stay on the scale, and in their order."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from poller.alarms.measures import Figure
from poller.answers.measures import Stands, number, stands
from poller.web.gauge import LEFT, RIGHT, gauge

NUMBERS = st.floats(0, 1e9, allow_nan=False)


@st.composite
def figures(draw: st.DrawFn) -> Figure:
    target = draw(st.one_of(st.just(0.0), st.floats(0.1, 1e4)))
    return Figure(
        name="per day",
        value=draw(st.none() | NUMBERS),
        unit=draw(st.sampled_from(["alarms", "%"])),
        target=min(target, 100.0),
        most=draw(st.none() | st.just(target * 2 or None)),
    )


@given(figures())
def test_everything_stands_on_the_scale(one: Figure) -> None:
    drawn = gauge(one)
    for x in (drawn.bar, drawn.target, drawn.most):
        assert x is None or LEFT <= x <= RIGHT


@given(figures())
def test_the_bar_passes_a_mark_when_the_value_does(one: Figure) -> None:
    drawn = gauge(one)
    if one.value is None or drawn.bar is None:
        assert drawn.bar is None
        return
    for mark, x in ((one.target, drawn.target), (one.most, drawn.most)):
        if mark is not None and x is not None and not (drawn.bar == x == RIGHT):
            assert (drawn.bar > x) <= (one.value > mark)
            assert (drawn.bar < x) <= (one.value < mark)


@given(figures())
def test_a_bar_that_is_not_broken_has_its_length(one: Figure) -> None:
    """By the rule of three from the target."""
    drawn = gauge(one)
    if one.value is not None and drawn.bar is not None and not drawn.broken and one.target:
        share = (drawn.bar - LEFT) / (drawn.target - LEFT)
        assert share == pytest.approx(one.value / one.target, rel=0.01, abs=0.02)


def figure(value: float | None, target: float, most: float | None, *, near: bool = False) -> Figure:
    return Figure(name="x", value=value, unit="alarms", target=target, most=most, near=near)


# the figures of ANSI/ISA-18.2-2016 table 7, by secondary quotations: per hour 6, at most 12
STANDS = [
    (figure(6, 6, 12), Stands.WITHIN),
    (figure(6.01, 6, 12), Stands.MANAGEABLE),
    (figure(12, 6, 12), Stands.MANAGEABLE),
    (figure(12.01, 6, 12), Stands.BEYOND),
    (figure(1, 0, None), Stands.ABOVE),
    (figure(0, 0, None), Stands.WITHIN),
    (figure(None, 5, None), Stands.UNKNOWN),
    (figure(33, 15, None, near=True), Stands.BESIDE),
]


@pytest.mark.parametrize(("one", "expected"), STANDS)
def test_where_it_stands_is_said(one: Figure, expected: Stands) -> None:
    assert stands(one) is expected


@pytest.mark.parametrize(
    ("value", "says"),
    [(None, "-"), (0, "0"), (0.001, "under 0.01"), (3674.937, "3,674.94"), (25.5, "25.5")],
)
def test_a_number_is_as_long_as_it_tells(value: float | None, says: str) -> None:
    assert number(value) == says
