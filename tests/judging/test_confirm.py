"""Belief: two passes apart for a nameplate, two readings in a row for a status value."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from poller.judging.confirm import Claim, Known, Pending, edges, learned, settled, weigh
from poller.judging.findings import Moment
from poller.model.nameplate import Nameplate
from poller.model.status import Behaviour, Health, Status

START = datetime(2026, 3, 1, tzinfo=UTC)


def at(mono: float) -> Moment:
    return Moment(mono=mono, utc=START + timedelta(seconds=mono))


def claim(version: str) -> Claim:
    return Claim(nameplate=Nameplate(swRev=version), map="tarn")


def follow(passes: str, need_s: float = 60) -> str:
    """Passes as "0:A 60:B" (seconds:version); the answer lists what came to be believed when."""
    believed: Claim | None = claim("A")
    pending: Pending | None = None
    told = []
    for one in passes.split():
        seconds, version = one.split(":")
        pending, yes = weigh(
            believed, pending, claim(version), at(float(seconds)), need_s=need_s, last_old_at=None
        )
        if yes:
            believed, pending = claim(version), None
            told.append(one)
    return " ".join(told)


@pytest.mark.parametrize(
    ("passes", "believed"),
    [
        ("0:A 60:A 120:A", ""),  # nothing new
        ("0:B", ""),  # once is a rumour
        ("0:B 60:B", "60:B"),
        ("0:B 59:B", ""),  # too near
        ("0:B 59:B 61:B", "61:B"),
        ("0:B 30:A 60:B", ""),  # back in between: the wait begins anew
        ("0:B 30:A 60:B 120:B", "120:B"),
        ("0:B 60:C 120:C", "120:C"),  # an intermediate text is never told
        ("0:B 60:C 120:B", ""),
        ("0:B 60:B 61:A 121:A", "60:B 121:A"),
    ],
)
def test_a_nameplate_is_believed_when_two_passes_apart_agree(passes: str, believed: str) -> None:
    assert follow(passes) == believed


def test_a_restart_seen_while_waiting_makes_the_wait_longer() -> None:
    first, _ = weigh(claim("A"), None, claim("B"), at(0), need_s=60, last_old_at=None)
    second, yes = weigh(claim("A"), first, claim("B"), at(70), need_s=300, last_old_at=None)
    assert not yes
    assert second is not None
    assert second.due_mono == 300


def test_a_shorter_need_later_never_shortens_the_wait() -> None:
    first, _ = weigh(claim("A"), None, claim("B"), at(0), need_s=300, last_old_at=None)
    _, yes = weigh(claim("A"), first, claim("B"), at(70), need_s=60, last_old_at=None)
    assert not yes


@given(st.lists(st.tuples(st.integers(1, 90), st.sampled_from("ABC")), max_size=30))
def test_what_is_believed_stood_for_the_whole_wait(steps: list[tuple[int, str]]) -> None:
    """Whatever the order of passes, a belief has two equal passes 60 s apart and none between."""
    now, heard, believed, pending = 0, [(0, "A")], claim("A"), None
    for gap, version in steps:
        now += gap
        heard.append((now, version))
        pending, yes = weigh(
            believed, pending, claim(version), at(now), need_s=60, last_old_at=None
        )
        if yes:
            assert pending is not None
            since = pending.since.mono
            assert now - since >= 60
            assert {v for t, v in heard if since <= t <= now} == {version}
            believed, pending = claim(version), None


OLD, NEW = Status(flags=(("storage_low", False),)), Status(flags=(("storage_low", True),))


@pytest.mark.parametrize(
    ("first", "second", "rises"),
    [(NEW, NEW, True), (OLD, NEW, False), (NEW, OLD, False), (NEW, Status(), False)],
)
def test_a_flag_edge_needs_two_readings_in_a_row(
    first: Status, second: Status, rises: bool
) -> None:
    found = edges(Known(), first, second, last_old_at=None, first_at=START)
    assert (found is not None and found.flags == {"storage_low": True}) is rises


def test_a_value_that_is_missing_says_nothing() -> None:
    known = Known(health=Health.WARNING, behaviour=Behaviour.TEST, setting_group=2)
    assert settled(known, Status())


def test_what_was_told_is_known() -> None:
    reading = Status(
        flags=(("storage_low", True), ("restart_pending", False)),
        health=Health.ALARM,
        behaviour=Behaviour.BLOCKED,
        setting_group=3,
    )
    known = Known(flags=frozenset({"restart_pending"}), health=Health.OK)
    found = edges(known, reading, reading, last_old_at=None, first_at=START)
    assert found is not None
    assert settled(learned(known, found), reading)
