"""What waits for a group: in order, until it was confirmed; what can't wait is told to be lost."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from poller.model import limits
from poller.publishing.iec104.group import Change, Group
from tests.publishing.world import T0

OVERFLOW = 1
MOST = 8


@pytest.fixture(autouse=True)
def narrow(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(limits, "IEC104_WAITING_MAX", MOST)


def group() -> Group:
    one = Group("main", OVERFLOW)
    one.begin(0)
    return one


def take(one: Group, *seqs: int) -> None:
    for seq in seqs:
        change = Change(seq=seq, at=T0, kept=True, objects=((1_000 + seq, 1),))
        one.take([change], seq, kept=True)


def sent(one: Group, most: int = 100) -> list[tuple[int, int]]:
    """The single objects that go out, at most so many."""
    out: list[tuple[int, int]] = []
    while len(out) < most and (change := one.next()) is not None:
        out += change.objects
    return out


def confirm(one: Group, count: int) -> None:
    for _ in range(count):
        one.confirmed(T0, kept=True)


def points(*seqs: int) -> list[tuple[int, int]]:
    return [(1_000 + seq, 1) for seq in seqs]


def test_it_is_sent_once_in_order() -> None:
    one = group()
    take(one, 1, 2, 3)
    assert sent(one) == points(1, 2, 3)
    assert sent(one) == []


def test_its_position_passes_what_was_confirmed() -> None:
    one = group()
    take(one, 3, 5)
    one.take([], 9, kept=True)
    assert one.position == 2
    sent(one)
    assert one.position == 2, "sent is not confirmed"
    confirm(one, 1)
    assert one.position == 4
    confirm(one, 1)
    assert one.position == 9


def test_what_was_not_confirmed_is_sent_again() -> None:
    one = group()
    take(one, 1, 2, 3)
    sent(one)
    confirm(one, 1)
    one.again()
    assert sent(one) == points(2, 3)


def test_what_it_had_before_is_not_taken_again() -> None:
    one = Group("main", OVERFLOW)
    one.begin(2)
    take(one, 1, 2, 3)
    assert sent(one) == points(3)


def test_too_much_is_told_before_what_is_left_and_again_when_that_is_over() -> None:
    one = group()
    take(one, *range(1, MOST + 4))
    assert one.overflow
    assert sent(one) == [(OVERFLOW, 1), *points(*range(4, MOST + 4))]
    assert one.waiting <= MOST + 1
    confirm(one, one.waiting)
    assert sent(one) == [(OVERFLOW, 0)]
    confirm(one, 1)
    assert (sent(one), one.overflow, one.position) == ([], False, MOST + 3)


def test_what_is_under_way_is_not_taken_back() -> None:
    one = group()
    take(one, *range(1, MOST + 1))
    assert sent(one, 3) == points(1, 2, 3)
    take(one, MOST + 1, MOST + 2)
    assert sent(one) == [(OVERFLOW, 1), *points(*range(6, MOST + 3))]


def test_a_gap_in_the_journal_is_told_in_its_place() -> None:
    one = group()
    take(one, 1, 2)
    one.lost(50, T0, kept=True)
    take(one, 51)
    assert (1_051, 1) in sent(one)
    assert one.overflow


Act = tuple[str, int]
ACTS = st.lists(
    st.tuples(st.sampled_from(("take", "send", "confirm", "again")), st.integers(1, 6)), max_size=60
)


@given(ACTS)
def test_what_arrives_is_in_order_and_lost_only_where_that_was_told(acts: Sequence[Act]) -> None:
    """As a client sees it who confirms what it has, and has nothing twice that it confirmed."""
    one, arrived, under_way, seq = group(), [], [], 0

    def settle() -> None:
        arrived.extend(under_way)
        confirm(one, len(under_way))
        under_way.clear()

    for what, count in acts:
        if what == "take":
            take(one, *range(seq + 1, seq + count + 1))
            seq += count
        elif what == "send":
            under_way += sent(one, min(count, MOST - 2 - len(under_way)))
        elif what == "confirm":
            done = under_way[:count]
            arrived += done
            del under_way[:count]
            confirm(one, len(done))
        else:
            under_way.clear()
            one.again()
        assert one.waiting <= MOST + 2
    one.again()
    under_way.clear()
    while more := sent(one, MOST):
        under_way += more
        settle()
    changes: list[Any] = [what - 1_000 for what, _ in arrived if what != OVERFLOW]
    assert changes == sorted(set(changes)), "in order, each once"
    words = [value for what, value in arrived if what == OVERFLOW]
    assert words == [1, 0] * (len(words) // 2)
    if len(changes) < seq:
        assert words, "some were lost"
    else:
        assert not words
    assert one.position == seq
