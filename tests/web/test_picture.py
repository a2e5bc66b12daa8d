"""The picture of a relay: inside its bounds, in order, and small however much happened."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from poller.answers.classes import Weight
from poller.answers.timeline import Lane, Mark, Timeline
from poller.answers.tracks import Band
from poller.web.picture import PAPERS, Paper, Picture, drawn

FIRST = datetime(2026, 3, 1, 8, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)
papers = st.sampled_from(PAPERS)
TARGET_PX = 24  # WCAG 2.2, success criterion 2.5.8, target size (minimum)


def lane(edges: list[float], at: list[float], last: datetime) -> Lane:
    """edges: between bands, and at: of marks, as parts of an hour."""
    times = [FIRST, *(FIRST + part * HOUR for part in sorted(edges)), last]
    weights = list(Weight)
    return Lane(
        name="health",
        says="Health",
        bands=tuple(
            Band(first=one, last=other, says=f"b{number}", weight=weights[number % 4])
            for number, (one, other) in enumerate(pairwise(times))
        ),
        marks=tuple(
            Mark(at=FIRST + part * HOUR, seq=seq, says="x", weight=weights[seq % 3])
            for seq, part in enumerate(sorted(at), start=1)
        ),
    )


def told(edges: list[float], at: list[float]) -> Timeline:
    last = FIRST + HOUR
    return Timeline(first=FIRST, last=last, known_from=FIRST, lanes=(lane(edges, at, last),))


parts = st.lists(st.floats(0, 1, allow_nan=False), max_size=300)


@settings(max_examples=150, deadline=None)
@given(parts, parts, papers)
def test_bands_cover_the_picture_in_order_without_a_gap(
    edges: list[float], at: list[float], paper: Paper
) -> None:
    bands = drawn(told(edges, at), paper).lanes[0].bands
    assert bands[0].x == 0
    assert bands[-1].x + bands[-1].width == pytest.approx(100, abs=0.002)
    for one, other in pairwise(bands):
        assert other.x == pytest.approx(one.x + one.width, abs=0.002)
        assert one.width >= 0
    assert len(bands) <= 2 * 100 / 0.5 + 1


@settings(max_examples=150, deadline=None)
@given(parts, parts, papers)
def test_marks_stand_in_order_where_they_can_be_hit_and_none_is_lost(
    edges: list[float], at: list[float], paper: Paper
) -> None:
    marks = drawn(told(edges, at), paper).lanes[0].marks
    assert sum(mark.count for mark in marks) == len(at)
    assert [mark.seq for mark in marks] == sorted(mark.seq for mark in marks)
    assert all(0 <= mark.x <= 100 for mark in marks)
    for one, other in pairwise(marks):
        assert (other.x - one.x) / 100 * paper.px >= TARGET_PX - 0.01
    assert len(marks) <= paper.px / TARGET_PX + 1


@settings(max_examples=100, deadline=None)
@given(parts, papers)
def test_the_gravest_of_what_is_drawn_together_is_told(at: list[float], paper: Paper) -> None:
    for mark in drawn(told([], at), paper).lanes[0].marks:
        inside = range(mark.seq - mark.count + 1, mark.seq + 1)
        weights = [list(Weight)[seq % 3] for seq in inside]
        order = [Weight.GRAVE, Weight.NOTE, Weight.REST]
        assert mark.weight is min(weights, key=order.index)


@given(
    st.timedeltas(timedelta(minutes=1), timedelta(days=20_000)),
    st.datetimes(datetime(1990, 1, 1), datetime(2090, 1, 1)),  # noqa: DTZ001 - made UTC below
    papers,
)
def test_ticks_are_few_at_round_times_and_inside(
    span: timedelta, last: datetime, paper: Paper
) -> None:
    last = last.replace(tzinfo=UTC)
    empty = Timeline(first=last - span, last=last, known_from=last - span, lanes=())
    ticks = drawn(empty, paper).ticks
    assert len(ticks) <= paper.ticks + 1
    assert all(0 <= tick.x <= 100 for tick in ticks)
    assert [tick.x for tick in ticks] == sorted(tick.x for tick in ticks)


def picture(edges: list[float], at: list[float]) -> Picture:
    return drawn(told(edges, at), PAPERS[0])


def test_an_event_stands_where_its_time_is() -> None:
    assert [mark.x for mark in picture([], [0.25, 0.5]).lanes[0].marks] == [25, 50]


def test_ticks_of_an_hour_are_every_ten_minutes() -> None:
    ticks = [(tick.x, tick.says) for tick in picture([], []).ticks]
    assert ticks[:3] == [(0, "08:00"), (16.667, "08:10"), (33.333, "08:20")]


def test_a_clock_that_was_put_back_draws_nothing_outside() -> None:
    early = Mark(at=FIRST - HOUR, seq=1, says="x", weight=Weight.REST)
    only = Lane(name="a", says="A", bands=(), marks=(early,))
    found = drawn(Timeline(first=FIRST, last=FIRST, known_from=FIRST, lanes=(only,)), PAPERS[0])
    assert found.lanes[0].marks[0].x == 0
