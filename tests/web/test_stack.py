"""The picture of versions over time keeps every total and stays inside, whatever happened."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from poller.answers.spread import Turn
from poller.web.stack import BOTTOM, LAYERS_MAX, LEFT, RIGHT, ROWS_MAX, TOP, Stack, stack

BEGIN = datetime(2026, 3, 1, tzinfo=UTC)
VERSIONS = [None, *(f"1.{n}" for n in range(LAYERS_MAX + 4))]


@st.composite
def histories(draw: st.DrawFn) -> list[Turn]:
    """Clocks are put back, versions come and go, and sometimes nobody runs anything."""
    steps = draw(st.lists(st.integers(-3_600, 10**6), min_size=1, max_size=40))
    counts = st.dictionaries(st.sampled_from(VERSIONS), st.integers(1, 60))
    at, turns = BEGIN, []
    for step in steps:
        at += timedelta(seconds=step)
        turns.append(Turn(at, draw(counts)))
    return turns


def drawn(turns: list[Turn], wait_s: int = 60) -> Stack:
    found = stack(turns, VERSIONS, turns[-1].at + timedelta(seconds=wait_s))
    assert found is not None
    return found


def points(path: str) -> list[tuple[float, float]]:
    """Of a path of M, H, V and Z, as SVG 2, 9.3, reads it."""
    assert re.fullmatch(r"M[\d. ]+(?:[HV][\d.]+)*Z", path), path
    x, y = map(float, path[1:].split("V", maxsplit=1)[0].split("H", maxsplit=1)[0].split())
    found = [(x, y)]
    for way, number in re.findall(r"([HV])([\d.]+)", path):
        x, y = (float(number), y) if way == "H" else (x, float(number))
        found.append((x, y))
    return found


def area(path: str) -> float:
    """The shoelace formula."""
    there = points(path)
    pairs = zip(there, [*there[1:], there[0]], strict=True)
    return abs(sum(x * other_y - other_x * y for (x, y), (other_x, other_y) in pairs)) / 2


@given(histories())
def test_every_layer_stays_inside_the_plot(turns: list[Turn]) -> None:
    for layer in drawn(turns).layers:
        for x, y in points(layer.path):
            assert LEFT - 0.01 <= x <= RIGHT + 0.01
            assert TOP - 0.01 <= y <= BOTTOM + 0.01


@given(histories())
def test_the_layers_together_are_as_high_as_there_are_relays(turns: list[Turn]) -> None:
    picture = drawn(turns)
    for at, height in enumerate(picture.heights):
        assert sum(layer.counts[at] for layer in picture.layers) == height


@given(histories())
def test_it_ends_with_what_is_so_now(turns: list[Turn]) -> None:
    now, picture = turns[-1].counts, drawn(turns)
    assert picture.heights[-1] == sum(now.values())
    for layer in picture.layers:
        if not layer.others:
            assert layer.counts[-1] == now.get(layer.version, 0)


@given(histories())
def test_what_is_drawn_is_as_large_as_the_numbers_say(turns: list[Turn]) -> None:
    """The areas of all layers are the area under their sum: none covers another."""
    picture = drawn(turns)
    together = sum(area(layer.path) for layer in picture.layers)
    sums = [Turn(turn.at, {"all": sum(turn.counts.values())}) for turn in turns]
    alone = stack(sums, ["all"], picture.end)
    assert alone is not None
    assert together == pytest.approx(sum(area(one.path) for one in alone.layers), abs=20)


@given(histories())
def test_no_more_layers_than_a_person_tells_apart(turns: list[Turn]) -> None:
    layers = drawn(turns).layers
    assert sum(not one.others for one in layers) <= LAYERS_MAX
    assert sum(one.others for one in layers) <= 1
    order = [VERSIONS.index(one.version) for one in layers if not one.others]
    assert order == sorted(order)


@given(histories())
def test_the_table_says_the_same_the_newest_first(turns: list[Turn]) -> None:
    picture = drawn(turns)
    times = [at for at, _, _ in picture.rows]
    assert times == sorted(times, reverse=True)
    assert len(picture.rows) <= ROWS_MAX
    assert all(sum(counts) == height for _, height, counts in picture.rows)


def test_ten_thousand_turns_make_a_small_picture() -> None:
    turns = [Turn(BEGIN + timedelta(minutes=n), {f"1.{n % 3}": 1 + n % 5}) for n in range(10_000)]
    assert sum(len(layer.path) for layer in drawn(turns).layers) < 60_000


def test_where_nothing_ever_ran_there_is_no_picture() -> None:
    assert stack([], VERSIONS, BEGIN) is None


def test_what_came_a_moment_ago_is_seen() -> None:
    turns = [Turn(BEGIN, {"1.0": 2}), Turn(BEGIN + timedelta(days=900), {"1.1": 2})]
    [new, old] = stack(turns, ["1.1", "1.0"], turns[-1].at).layers  # type: ignore[union-attr]
    assert area(new.path) > 5 * 100
    assert area(old.path) > area(new.path)
