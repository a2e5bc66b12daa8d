"""The read plan: legal, complete, and proved minimal by trying every legal set of reads."""

from __future__ import annotations

from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from poller.reading.frames import Request, read
from poller.reading.read_plan import Span, plan
from poller.site.register_map import LargestRead, Range

SPACE = 14  # addresses of the small maps


def spans(*places: tuple[int, int], table: str = "holding") -> list[Span]:
    """(address, count) each."""
    return [
        Span(table=table, address=address, count=count, name=f"f{at}")  # type: ignore[arg-type]
        for at, (address, count) in enumerate(places)
    ]


def ranges(*ends: tuple[int, int], over_gaps: bool = False, table: str = "holding") -> list[Range]:
    return [
        Range.model_validate({"table": table, "first": first, "last": last, "over_gaps": over_gaps})
        for first, last in ends
    ]


def reads(requests: Sequence[Request]) -> list[tuple[int, int]]:
    return [(request.address, request.count) for request in requests]


def legal(first: int, count: int, fields: list[Span], allowed: list[Range], most: int) -> bool:
    """Told from the rules, not from the plan."""
    wanted = {at for field in fields for at in range(field.address, field.end)}
    return count <= most and any(
        one.first <= first
        and first + count - 1 <= one.last
        and (one.over_gaps or wanted >= set(range(first, first + count)))
        for one in allowed
    )


def fewest(fields: list[Span], allowed: list[Range], most: int) -> int:
    """Brute force: every legal read, every set of them, smallest sets first."""
    covers = {
        frozenset(
            at
            for at, field in enumerate(fields)
            if first <= field.address and field.end <= first + count
        )
        for first in range(SPACE)
        for count in range(1, SPACE - first + 1)
        if legal(first, count, fields, allowed, most)
    }
    everything = frozenset(range(len(fields)))
    reached, number = {frozenset[int]()}, 0
    while everything not in reached:
        reached = {had | more for had in reached for more in covers}
        number += 1
        assert number <= len(fields)
    return number


@st.composite
def small_maps(draw: st.DrawFn) -> tuple[list[Span], list[Range], int]:
    cuts = sorted(draw(st.sets(st.integers(1, SPACE - 1), max_size=2)))
    ends = list(zip([0, *cuts], [*[cut - 1 for cut in cuts], SPACE - 1], strict=True))
    allowed = [
        one for first, last in ends for one in ranges((first, last), over_gaps=draw(st.booleans()))
    ]
    most = draw(st.integers(1, 8))
    places = []
    for _ in range(draw(st.integers(1, 6))):
        inside = draw(st.sampled_from(allowed))
        first = draw(st.integers(inside.first, inside.last))
        longest = min(most, inside.last - first + 1)
        places.append((first, draw(st.integers(1, min(4, longest)))))
    return spans(*places), allowed, most


@given(small_maps())
def test_no_legal_set_of_reads_is_smaller(case: tuple[list[Span], list[Range], int]) -> None:
    fields, allowed, most = case
    requests = plan(fields, allowed, LargestRead(registers=most))
    assert len(requests) == fewest(fields, allowed, most)


@given(small_maps())
def test_every_read_is_legal_and_no_field_is_split(
    case: tuple[list[Span], list[Range], int],
) -> None:
    fields, allowed, most = case
    requests = plan(fields, allowed, LargestRead(registers=most))
    for first, count in reads(requests):
        assert legal(first, count, fields, allowed, most)
    for field in fields:
        assert any(
            first <= field.address and field.end <= first + count
            for first, count in reads(requests)
        )


def test_neighbours_are_read_together() -> None:
    requests = plan(spans((0, 4), (4, 2), (6, 1)), ranges((0, 99)), LargestRead())
    assert requests == (read("holding", 0, 7),)


def test_a_gap_is_read_over_only_where_the_range_says_so() -> None:
    fields = spans((0, 2), (4, 2))
    assert reads(plan(fields, ranges((0, 9)), LargestRead())) == [(0, 2), (4, 2)]
    assert reads(plan(fields, ranges((0, 9), over_gaps=True), LargestRead())) == [(0, 6)]


def test_a_read_stays_in_one_range() -> None:
    fields = spans((0, 2), (2, 2))
    assert reads(plan(fields, ranges((0, 1), (2, 3)), LargestRead())) == [(0, 2), (2, 2)]


def test_a_field_that_would_be_split_begins_the_next_read() -> None:
    fields = spans((0, 3), (3, 3), (6, 3))
    assert reads(plan(fields, ranges((0, 9)), LargestRead(registers=7))) == [(0, 6), (6, 3)]


@pytest.mark.parametrize(
    ("table", "most"), [("holding", 125), ("input", 125), ("coil", 2000), ("discrete", 2000)]
)
def test_a_read_is_as_long_as_the_specification_allows(table: str, most: int) -> None:
    # MODBUS Application Protocol Specification V1.1b3, 6.1 to 6.4
    fields = spans(*[(at, 1) for at in range(most + 1)], table=table)
    requests = plan(fields, ranges((0, most), table=table), LargestRead())
    assert reads(requests) == [(0, most), (most, 1)]


def test_tables_are_apart() -> None:
    fields = [*spans((0, 1)), *spans((0, 1), table="input")]
    allowed = [*ranges((0, 9)), *ranges((0, 9), table="input")]
    assert set(plan(fields, allowed, LargestRead())) == {
        read("holding", 0, 1),
        read("input", 0, 1),
    }


def test_a_one_based_map_is_read_one_lower_on_the_wire() -> None:
    # ranges stand in the map's own numbers, spans in those of the wire
    assert reads(plan(spans((0, 2)), ranges((1, 2)), LargestRead(), base=1)) == [(0, 2)]


def test_a_field_outside_every_range_is_not_read() -> None:
    with pytest.raises(ValueError, match="f0: outside every readable range"):
        plan(spans((9, 2)), ranges((0, 9)), LargestRead())


def test_a_field_longer_than_a_read_is_not_split() -> None:
    with pytest.raises(ValueError, match="f0: 4 are more than one read of 3"):
        plan(spans((0, 4)), ranges((0, 9)), LargestRead(registers=3))
