"""The judge of the kills finds what is wrong: each case is a right story with one thing spoilt."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from poller.journal import chain
from poller.model import events as ev
from poller.model.events import Recorded
from poller.publishing.bodies import event_body
from tests.crash import judging
from tests.crash.judging import Span, Told
from tests.crash.story import Asked

T0 = datetime(2026, 3, 1, tzinfo=UTC)
KEY = ("q01", "swRev")
UP = [(0.0, 200.0)]
ROWS = [
    Span(value="1", since=0, until=50),
    Span(value="2", since=50, until=51),  # too short to be owed
    Span(value="3", since=51, until=100),
    Span(value="1", since=100, until=200),
]
TOLD = [
    Told(seq=1, before=None, after="1", seen=1),
    Told(seq=2, before="1", after="3", seen=52),
    Told(seq=3, before="3", after="1", seen=101),
]
SHORT_TOO = [*TOLD[:1], replace(TOLD[1], after="2", seen=50), replace(TOLD[1], before="2")]


@pytest.mark.parametrize("told", [TOLD, [*SHORT_TOO, TOLD[2]]], ids=["without", "with"])
def test_a_short_value_may_be_told_or_not(told: Sequence[Told]) -> None:
    assert judging.told_is_true({KEY: ROWS}, {KEY: list(told)}, UP) == []


SPOILT = {
    "lost": (TOLD[:2], "was not told"),
    "lost in the middle": ([TOLD[0], TOLD[2]], "the journal held '1'"),
    "told twice": ([*TOLD[:2], TOLD[1], TOLD[2]], "the journal held '3'"),
    "read twice": ([*TOLD, replace(TOLD[2], before="1")], "told before"),
    "invented": ([*TOLD[:2], replace(TOLD[2], after="9")], "never so"),
    "too early": ([TOLD[0], replace(TOLD[1], seen=40), TOLD[2]], "never so at that time"),
    "another before": ([*TOLD[:2], replace(TOLD[2], before="2")], "says it was '2'"),
}


@pytest.mark.parametrize("what", SPOILT)
def test_a_spoilt_telling_is_found(what: str) -> None:
    told, says = SPOILT[what]
    assert any(says in one for one in judging.told_is_true({KEY: ROWS}, {KEY: list(told)}, UP))


def test_a_change_where_nothing_happened_is_found() -> None:
    assert judging.told_is_true({}, {KEY: TOLD}, UP) != []


def test_what_stood_only_while_nobody_looked_is_not_owed() -> None:
    up = [(0.0, 49.0), (101.0, 200.0)]
    assert judging.told_is_true({KEY: ROWS}, {KEY: TOLD[:1]}, up) == []


DELIVERED = {
    "each once": ([1, 2, 3], 3, 0, 0),
    "again after a crash": ([1, 2, 1, 2, 3], 3, 1, 0),
    "again without one": ([1, 2, 1, 2, 3], 3, 0, 1),
    "the end is missing": ([1, 2], 3, 0, 1),
    "one left out": ([1, 3], 3, 0, 2),
    "one left out, then brought": ([1, 3, 2, 3], 3, 1, 1),
}


@pytest.mark.parametrize("what", DELIVERED)
def test_what_was_delivered(what: str) -> None:
    seqs, last, crashes, wrong = DELIVERED[what]
    assert len(judging.recorded_is_received(seqs, last, crashes)) == wrong


def recorded(number: str = "n1") -> Sequence[Recorded]:
    """What a person did, and what follows of it and is nobody's."""
    at, body = T0 + timedelta(seconds=1), ev.RelayResumed()
    did = ev.Event(at=at, subject="q01", body=body, cause=number, by="J. Kral")
    return chain.record("uuid", chain.START, [did, replace(did, by=None)])


ASKED = Asked("n1", ["q01"], answer={})
COMMANDS = {
    "answered and there": (ASKED, "n1", 0),
    "answered and gone": (ASKED, "n2", 1),
    "answered and there twice": (replace(ASKED, relays=["q01", "q01"]), "n1", 1),
    "refused and there": (replace(ASKED, answer=None, refused="no"), "n1", 1),
    "refused": (replace(ASKED, answer=None, refused="no"), "n2", 0),
}


@pytest.mark.parametrize("what", COMMANDS)
def test_what_was_answered(what: str) -> None:
    asked, number, wrong = COMMANDS[what]
    assert len(judging.answered_is_recorded([asked], recorded(number))) == wrong


def test_an_event_told_otherwise_than_recorded_is_found() -> None:
    told = event_body(recorded()[0], site="fellmoor", bytes_max=None).payload
    assert judging.received_is_recorded([told], recorded(), "fellmoor") == []
    assert judging.received_is_recorded([told], recorded("n2"), "fellmoor") != []
