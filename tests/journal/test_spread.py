"""The spread of versions over time, read from a journal that grows and whose beginning goes."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from poller.journal import Journal
from poller.journal.notes import Notes
from poller.journal.retention import prune
from poller.journal.spread import SpreadSoFar
from poller.journal.store import Batch, Writer
from poller.model import events as ev
from poller.model.events import Event
from poller.model.work import FirmwareStatus
from tests.journal.made import T0

DAYS = 100
LISTED = ev.RelayListed(bay="Q1", function="main 1", address="127.0.0.1:502/1")
KEY = "larch", "swRev"


def runs(relay: str, version: str, day: int) -> Event:
    body = ev.FirmwareStatusChanged(
        attribute="swRev",
        before=None,
        after=FirmwareStatus.CURRENT,
        version=version,
        target=version,
        rule="larch",
    )
    return Event(at=T0 + timedelta(days=day), subject=relay, body=body)


@pytest.fixture
def writer(tmp_path: Path) -> Iterator[Writer]:
    """Two relays run 1; one is updated to 2 on day 90."""
    with Writer.open(tmp_path / "a.journal") as made:
        first = [Event(at=T0, subject=name, body=LISTED) for name in ("a", "b")]
        told = [*first, runs("a", "1", 1), runs("b", "1", 2), runs("a", "2", 90)]
        made.write([Batch(events=tuple(told))])
        made.write([], Notes(snapshot=made.reader.load_state()))
        yield made


def spread(writer: Writer) -> SpreadSoFar:
    return SpreadSoFar(Journal.open(writer.path))


def counts(found: SpreadSoFar) -> list[dict[str | None, int]]:
    return [dict(turn.counts) for turn in found.turns()[KEY]]


def test_every_change_is_a_turn(writer: Writer) -> None:
    assert counts(spread(writer)) == [{"1": 1}, {"1": 2}, {"1": 1, "2": 1}]


def test_what_is_written_later_is_read_on(writer: Writer) -> None:
    found = spread(writer)
    before = counts(found)
    writer.write([Batch(events=(runs("b", "2", 95),))])
    assert counts(found) == [*before, {"2": 2}]


def test_where_the_beginning_was_pruned_it_starts_with_what_stood_then(writer: Writer) -> None:
    assert prune(writer, keep_days=50, now=T0 + timedelta(days=DAYS), required=[]) is not None
    assert counts(spread(writer)) == [{"1": 2}, {"1": 1, "2": 1}]


def test_of_an_empty_journal_there_is_none(tmp_path: Path) -> None:
    with Writer.open(tmp_path / "b.journal") as made:
        assert spread(made).turns() == {}
