"""A wall clock that is set: what was read before is told by the clock of now."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from poller.judging.findings import STEP, Believed, Edges, Finding, Moment, Silent, Unreadable
from poller.reading.exchange import Refused
from poller.reading.frames import Request
from tests.judging.visits import PACE, SILENT, START, Visits, change, larch, raise_flags, visits

SET_S = (-7_200.0, 3_600.0)
NEAR = timedelta(milliseconds=2)  # two roundings


def told(bench: Visits, kind: type[Finding]) -> Finding:
    (found,) = [finding for _, finding in bench.told if isinstance(finding, kind)]
    return found


def seen(bench: Visits, mono: float) -> datetime:
    """When that was, as the clock of now shows it."""
    return START + timedelta(seconds=mono + bench.set_s)


@pytest.mark.parametrize("set_s", SET_S)
def test_an_edge(set_s: float) -> None:
    bench = visits(larch()).settle()
    bench.visit()
    old = bench.reading()
    raise_flags(bench.relay, "storage_low")
    bench.visit()
    first = bench.reading()
    assert old is not None
    assert first is not None
    bench.set_s = set_s
    bench.visit()
    edges = told(bench, Edges)
    assert isinstance(edges, Edges)
    assert edges.last_old_at is not None
    by = timedelta(seconds=set_s)
    assert abs(edges.first_new_at - by - first.at) <= NEAR
    assert abs(edges.last_old_at - by - old.at) <= NEAR


@pytest.mark.parametrize("set_s", SET_S)
@pytest.mark.parametrize(("kind", "address", "from_s"), [(Edges, 0, 230.0), (Believed, 200, 250.0)])
def test_what_is_found_in_the_visit_in_which_it_is_set(
    kind: type[Finding], address: int, from_s: float, set_s: float
) -> None:
    """An edge before its nameplate is looked at, a nameplate before its status is."""
    bench = visits(larch()).settle()
    change(bench.relay, swRev="5.2")
    raise_flags(bench.relay, "storage_low")
    bench.watch.next_nameplate = bench.now_s
    bench.visit()
    first_s = bench.now_s

    def sets(request: Request) -> None:
        if request.address == address and bench.now_s > from_s:
            bench.set_s = set_s

    bench.fault = sets
    bench.until(bench.now_s + PACE.confirm_s + 1)
    found = told(bench, kind)
    assert isinstance(found, Edges | Believed)
    assert abs(found.first_new_at - seen(bench, first_s)) < timedelta(seconds=1)


@pytest.mark.parametrize("set_s", SET_S)
def test_a_nameplate(set_s: float) -> None:
    bench = visits(larch()).settle()
    bench.watch.next_nameplate = bench.now_s
    bench.visit()
    old_s = bench.now_s
    change(bench.relay, swRev="5.2")
    bench.watch.next_nameplate = bench.now_s
    bench.visit()
    first_s = bench.now_s
    bench.set_s = set_s
    bench.until(bench.now_s + PACE.confirm_s + 5)
    believed = told(bench, Believed)
    assert isinstance(believed, Believed)
    assert believed.last_old_at is not None
    assert abs(believed.first_new_at - seen(bench, first_s)) < timedelta(seconds=1)
    assert abs(believed.last_old_at - seen(bench, old_s)) < timedelta(seconds=1)


@pytest.mark.parametrize("set_s", SET_S)
def test_a_silence(set_s: float) -> None:
    bench = visits(larch()).settle()
    bench.visit()
    last_s = bench.now_s
    bench.fault = lambda _: SILENT
    bench.visit()
    bench.set_s = set_s
    bench.until(bench.now_s + 300)
    silent = told(bench, Silent)
    assert isinstance(silent, Silent)
    assert silent.last_answer_at is not None
    assert abs(silent.last_answer_at - seen(bench, last_s)) < timedelta(seconds=1)


@pytest.mark.parametrize("set_s", SET_S)
def test_what_can_not_be_read(set_s: float) -> None:
    bench = visits(larch()).settle()
    bench.fault = lambda request: Refused(code=2) if request.address < 200 else None
    bench.watch.next_nameplate = bench.now_s
    bench.visit()
    since_s = bench.now_s
    bench.set_s = set_s
    bench.until(bench.now_s + 2 * PACE.unreadable_s)
    unreadable = told(bench, Unreadable)
    assert isinstance(unreadable, Unreadable)
    assert abs(unreadable.since - seen(bench, since_s)) < timedelta(seconds=1)


@pytest.mark.parametrize("set_s", SET_S)
def test_a_reading_of_before_by_whoever_looks_after_the_next_visit(set_s: float) -> None:
    bench = visits(larch()).settle()
    bench.visit()
    at_s = bench.now_s
    bench.fault = lambda _: SILENT
    bench.set_s = set_s
    bench.visit()
    reading = bench.reading()
    assert reading is not None
    assert abs(reading.at - seen(bench, at_s)) < timedelta(seconds=1)
    assert all(
        abs(answered.at.utc - seen(bench, answered.at.mono)) <= NEAR
        for answered in bench.last_read().blocks.values()
    )


# The arithmetic.

MONO = st.floats(0, 1e9, allow_nan=False)


@given(mono=MONO, passed_s=st.floats(0, 1e6), set_ms=st.integers(-(10**9), 10**9))
def test_a_moment_of_before_is_told_by_the_clock_of_now(
    mono: float, passed_s: float, set_ms: int
) -> None:
    before = Moment(mono, START)
    by = timedelta(milliseconds=set_ms)
    now = Moment(mono + passed_s, START + timedelta(seconds=passed_s) + by)
    assert abs(now.earlier(mono).utc - by - before.utc) <= timedelta(milliseconds=1)
    set_by = now.clock_set(before)
    if abs(by) > STEP + NEAR:
        assert set_by is not None
        assert abs(set_by - by) <= NEAR
    if abs(by) < STEP - NEAR:
        assert set_by is None
