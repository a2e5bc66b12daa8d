"""Dropping the oldest events without losing the chain, the state, or what an output is owed."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from poller.journal import snapshot
from poller.journal.chain import Verified
from poller.journal.committer import ThreadCommitter
from poller.journal.notes import Notes
from poller.journal.ports import CommitFailed
from poller.journal.retention import prune
from poller.journal.store import Batch, Writer
from poller.model import events as ev
from poller.model import limits
from poller.model.status import Quality, Status, StatusReading
from tests.journal.made import RELAYS, T0, seen, story

DAYS = 200


def day(number: int) -> datetime:
    return T0 + timedelta(days=number)


@pytest.fixture
def writer(tmp_path: Path) -> Iterator[Writer]:
    """One event a day for 200 days (day 0 is event 1), all snapshot, and mqtt owed nothing."""
    with Writer.open(tmp_path / "a.journal") as made:
        made.write([Batch(events=tuple(story(DAYS)))])
        made.write([], Notes(snapshot=made.reader.load_state(), cursors={"mqtt": DAYS}))
        yield made


def pruned(recorded: ev.Recorded | None) -> ev.Pruned:
    assert recorded is not None
    assert isinstance(recorded.event.body, ev.Pruned)
    return recorded.event.body


def test_what_is_older_is_dropped_and_said(writer: Writer) -> None:
    hash_then = writer.reader.hash_at(100)
    body = pruned(prune(writer, keep_days=90, now=day(190), required=["mqtt"]))
    assert (body.first_seq, body.last_seq, body.last_hash) == (1, 100, hash_then)
    assert body.counts == {"relay_listed": 1, "relay_seen": 99}
    assert writer.reader.read(0)[0].seq == 101


def test_the_chain_and_the_state_hold_afterwards(writer: Writer) -> None:
    head, before = writer.reader.head(), writer.reader.load_state()
    prune(writer, keep_days=90, now=day(190), required=["mqtt"])
    assert writer.reader.verify(head) == Verified(head=writer.head, count=DAYS - 100 + 1)
    assert writer.reader.load_state().relays == before.relays


def test_the_state_is_replayed_from_the_base_where_snapshots_are_gone(writer: Writer) -> None:
    before = writer.reader.load_state()
    prune(writer, keep_days=90, now=day(190), required=["mqtt"])
    writer.connection.execute("DELETE FROM snapshot")
    assert writer.reader.load_state().relays == before.relays


def test_the_base_is_the_state_after_the_last_that_was_dropped(writer: Writer) -> None:
    expected = snapshot.load_state(writer.reader, until=100)
    body = pruned(prune(writer, keep_days=90, now=day(190), required=["mqtt"]))
    assert snapshot.from_bytes(body.base).state == expected
    assert expected.relays[RELAYS[0]].seen_day == day(99).date().isoformat()


def test_pruning_again_goes_on_where_it_ended(writer: Writer) -> None:
    prune(writer, keep_days=90, now=day(130), required=["mqtt"])
    before = writer.reader.load_state().relays
    body = pruned(prune(writer, keep_days=90, now=day(190), required=["mqtt"]))
    assert (body.first_seq, body.last_seq, sum(body.counts.values())) == (41, 100, 60)
    writer.connection.execute("DELETE FROM snapshot")
    assert isinstance(writer.reader.verify(), Verified)
    assert writer.reader.load_state().relays == before


def test_pruning_twice_at_once_drops_nothing_more(writer: Writer) -> None:
    prune(writer, keep_days=90, now=day(190), required=["mqtt"])
    assert prune(writer, keep_days=90, now=day(190), required=["mqtt"]) is None


def test_a_pruned_event_may_be_dropped_itself(writer: Writer) -> None:
    prune(writer, keep_days=90, now=day(130), required=[])
    writer.write([Batch(events=(seen(RELAYS[0], 400),))])
    writer.write([], Notes(snapshot=writer.reader.load_state()))
    body = pruned(prune(writer, keep_days=90, now=day(420), required=[]))
    assert body.last_seq == DAYS + 1
    assert [one.event.body.kind for one in writer.reader.read(0)] == ["relay_seen", "pruned"]
    assert isinstance(writer.reader.verify(), Verified)


def test_what_an_output_is_owed_is_kept(writer: Writer) -> None:
    writer.write([], Notes(cursors={"slow": 30}))
    body = pruned(prune(writer, keep_days=90, now=day(190), required=["mqtt", "slow"]))
    assert body.last_seq == 30


def test_a_new_output_is_owed_everything(writer: Writer) -> None:
    assert prune(writer, keep_days=90, now=day(190), required=["mqtt", "new"]) is None


def test_what_no_snapshot_covers_is_kept(writer: Writer) -> None:
    writer.connection.execute("DELETE FROM snapshot")
    assert prune(writer, keep_days=90, now=day(190), required=[]) is None


def test_the_first_young_event_keeps_older_ones_behind_it(writer: Writer) -> None:
    """The clock stood wrong for a while: order is by seq, not by time."""
    writer.write([Batch(events=(seen(RELAYS[0], 20),))])
    writer.write([], Notes(snapshot=writer.reader.load_state()))
    body = pruned(prune(writer, keep_days=90, now=day(190), required=[]))
    assert body.last_seq == 100


def test_one_call_is_bounded(writer: Writer, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(limits, "PRUNE_EVENTS_MAX", 7)
    ends = [
        pruned(prune(writer, keep_days=90, now=day(190), required=[])).last_seq for _ in range(2)
    ]
    assert ends == [7, 14]


def test_nothing_is_dropped_where_it_can_not_be_said(writer: Writer) -> None:
    body = ev.RelayListed(bay="x" * 100_000, function="makes the base state big", address="")
    writer.connection.execute("DELETE FROM snapshot")
    big = ev.Event(at=day(0), subject="big", body=body)
    writer.write([Batch(events=(big,))])
    writer.write([], Notes(snapshot=writer.reader.load_state(), cursors={"mqtt": DAYS + 1}))
    head = writer.head
    writer.connection.pragma("max_page_count", 1)  # as many as there are
    with pytest.raises(CommitFailed, match="full"):
        prune(writer, keep_days=90, now=day(400), required=["mqtt"])
    assert isinstance(writer.reader.verify(head), Verified)
    assert (writer.reader.read(0, 1)[0].seq, writer.head) == (1, head)


def test_old_samples_go_too(writer: Writer) -> None:
    def reading(number: int) -> StatusReading:
        return StatusReading(status=Status(), quality=Quality.GOOD, at=day(number))

    writer.write([], Notes(samples=[("a", reading(5)), ("a", reading(150))]))
    prune(writer, keep_days=90, now=day(190), required=[])
    assert writer.reader.samples("a") == [reading(150)]


async def test_a_running_service_prunes_through_its_committer(writer: Writer) -> None:
    committer = ThreadCommitter(writer)
    recorded = await committer.call(
        lambda given: prune(given, keep_days=90, now=day(190), required=["mqtt"])
    )
    (after,) = await committer.commit([seen(RELAYS[0], 191)])
    await committer.close()
    assert recorded is not None
    assert after.seq == recorded.seq + 1
    assert isinstance(writer.reader.verify(), Verified)


def test_the_base_names_its_fold(writer: Writer) -> None:
    body = pruned(prune(writer, keep_days=90, now=day(190), required=[]))
    assert json.loads(body.base).keys() == {"seq", "hash", "fold", "state", "sum"}
