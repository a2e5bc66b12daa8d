"""One contract for the journal on disk and the one that trials use."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path

import pytest

from poller.journal import chain
from poller.journal.chain import Verified
from poller.journal.envelope import NotStorable
from poller.journal.ports import CommitFailed, Head
from poller.journal.store import CommandRepeated
from poller.model import events as ev
from poller.model import limits
from poller.model.canonical import whole_ms
from poller.model.standing import State
from poller.model.status import Quality, Status, StatusReading
from poller.state import fold
from tests.journal.benches import Bench, FileBench, MemoryBench
from tests.journal.made import RELAYS, T0, listed, seen, story


@pytest.fixture(params=["file", "memory"])
async def bench(request: pytest.FixtureRequest, tmp_path: Path) -> AsyncIterator[Bench]:
    made: Bench = FileBench(tmp_path) if request.param == "file" else MemoryBench()
    yield made
    made.make_room()
    await made.close()


def big(number: int = 0) -> ev.Event:
    """Too big for a disk that is full."""
    body = ev.ServiceStopped(reason=f"{number} " + "x" * 100_000)
    return ev.Event(at=T0, subject="", body=body)


async def test_a_commit_returns_what_a_reader_finds(bench: Bench) -> None:
    recorded = await bench.committer.commit(story(3))
    assert bench.reader.read(0) == list(recorded)


async def test_events_are_numbered_from_one_without_a_hole(bench: Bench) -> None:
    first = await bench.committer.commit(story(2))
    second = await bench.committer.commit([seen(RELAYS[0], 9)])
    assert [one.seq for one in first + second] == [1, 2, 3]


async def test_ids_differ_and_end_in_the_seq(bench: Bench) -> None:
    recorded = await bench.committer.commit(story(3))
    journal = recorded[0].id.removesuffix("-1")
    assert [one.id for one in recorded] == [f"{journal}-{seq}" for seq in (1, 2, 3)]


async def test_the_chain_verifies_against_its_head(bench: Bench) -> None:
    recorded = await bench.committer.commit(story(4))
    head = Head(seq=4, hash=recorded[-1].hash)
    assert bench.reader.head() == head
    assert bench.reader.verify(head) == Verified(head=head, count=4)


async def test_an_empty_journal(bench: Bench) -> None:
    assert bench.reader.head() == chain.START
    assert bench.reader.read(0) == []
    assert bench.reader.load_state() == State()


async def test_a_moment_is_told_as_it_is_stored(bench: Bench) -> None:
    at = T0.replace(microsecond=789_999)
    (recorded,) = await bench.committer.commit([replace(listed("a"), at=at)])
    assert recorded.event.at == whole_ms(at)


async def test_reading_goes_on_after_a_seq_and_stops_at_a_limit(bench: Bench) -> None:
    await bench.committer.commit(story(6))
    assert [one.seq for one in bench.reader.read(2, 3)] == [3, 4, 5]


async def test_commits_given_at_once_keep_their_order(bench: Bench) -> None:
    given = [[listed(f"r{n}"), seen(f"r{n}", n)] for n in range(40)]
    told = await asyncio.gather(*(bench.committer.commit(events) for events in given))
    assert [one.seq for recorded in told for one in recorded] == list(range(1, 81))
    assert [one.event for one in bench.reader.read(0)] == [one for two in given for one in two]


async def test_one_commit_may_be_larger_than_a_batch(bench: Bench) -> None:
    recorded = await bench.committer.commit(story(limits.COMMIT_BATCH_MAX + 1))
    assert len(recorded) == limits.COMMIT_BATCH_MAX + 1


async def test_the_state_is_the_fold_of_what_is_durable(bench: Bench) -> None:
    events = story(5)
    await bench.committer.commit(events)
    assert bench.reader.load_state() == fold(State(), enumerate(events, start=1))


# Commands.


async def test_a_command_keeps_its_answer(bench: Bench) -> None:
    await bench.committer.commit(story(2), command=("c1", '{"events":2}'))
    assert bench.reader.answer("c1") == '{"events":2}'
    assert bench.reader.answer("c2") is None


async def test_a_command_without_events_keeps_its_answer(bench: Bench) -> None:
    assert await bench.committer.commit([], command=("c1", "{}")) == ()
    assert bench.reader.answer("c1") == "{}"


async def test_a_repeated_command_writes_nothing(bench: Bench) -> None:
    await bench.committer.commit(story(2), command=("c1", "first"))
    with pytest.raises(CommandRepeated):
        await bench.committer.commit(story(2), command=("c1", "second"))
    assert (bench.reader.head().seq, bench.reader.answer("c1")) == (2, "first")


async def test_a_repeated_command_hinders_no_other(bench: Bench) -> None:
    commit = bench.committer.commit
    told = await asyncio.gather(
        commit([listed("a")], command=("c1", "1")),
        commit([listed("b")], command=("c1", "2")),
        commit([listed("c")], command=("c2", "3")),
        return_exceptions=True,
    )
    assert isinstance(told[1], CommandRepeated)
    assert [one.event.subject for one in bench.reader.read(0)] == ["a", "c"]


async def test_the_oldest_answers_make_room(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(limits, "COMMAND_ANSWERS_MAX", 2)
    for name in ("c1", "c2", "c3"):
        await bench.committer.commit([], command=(name, "{}"))
    assert [bench.reader.answer(name) for name in ("c1", "c2", "c3")] == [None, "{}", "{}"]


# Failing.


async def test_nothing_is_written_where_a_commit_fails(bench: Bench) -> None:
    before = await bench.committer.commit(story(2))
    bench.fill()
    with pytest.raises(CommitFailed, match="full"):
        await bench.committer.commit([listed("small"), big()], command=("c1", "{}"))
    assert bench.reader.read(0) == list(before)
    assert bench.reader.answer("c1") is None


async def test_the_next_commit_takes_the_place_of_the_one_that_failed(bench: Bench) -> None:
    await bench.committer.commit(story(2))
    bench.fill()
    with pytest.raises(CommitFailed):
        await bench.committer.commit([big()])
    bench.make_room()
    (recorded,) = await bench.committer.commit([big()])
    assert recorded.seq == 3
    assert isinstance(bench.reader.verify(), Verified)


async def test_what_was_given_before_a_failure_was_told_fails_too(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else the caller, who tries the first again, would find the second before it."""
    monkeypatch.setattr(limits, "COMMIT_BATCH_MAX", 1)
    bench.fill()
    told = await asyncio.gather(
        *(bench.committer.commit([big(n)]) for n in range(8)),
        bench.committer.commit([listed("small")]),
        return_exceptions=True,
    )
    assert [type(one) for one in told] == [CommitFailed] * 9
    assert bench.reader.head().seq == 0


async def test_an_event_that_can_not_be_stored_hinders_no_other(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(limits, "EVENT_BYTES_MAX", 50_000)
    commit = bench.committer.commit
    told = await asyncio.gather(
        commit([listed("a")]), commit([big()]), commit([listed("c")]), return_exceptions=True
    )
    assert isinstance(told[1], NotStorable)
    assert [one.event.subject for one in bench.reader.read(0)] == ["a", "c"]


async def test_a_cancelled_commit_breaks_nothing(bench: Bench) -> None:
    task = asyncio.create_task(bench.committer.commit([listed("a")]))
    await asyncio.sleep(0)
    task.cancel()
    await asyncio.wait([task])
    await bench.committer.commit([listed("b")])
    assert bench.reader.read(0)[-1].event.subject == "b"
    assert isinstance(bench.reader.verify(), Verified)


# Notes.


async def test_a_cursor_rides_with_the_next_events(bench: Bench) -> None:
    await bench.committer.note_cursor("mqtt", 3)
    await bench.committer.note_cursor("mqtt", 4)
    await bench.committer.commit([listed("a")])
    assert (bench.reader.cursor("mqtt"), bench.reader.cursor("other")) == (4, 0)


async def test_retained_names_come_change_and_go(bench: Bench) -> None:
    note = bench.committer.note_retained
    await note("mqtt", {"a": "1", "b": "1", "c": "1"})
    await bench.committer.commit([listed("a")])
    await note("mqtt", {"a": "2", "b": None})
    await note("mqtt", {"d": "1"})
    await note("mqtt", {"d": None})
    await note("other", {"a": "9"})
    await bench.committer.commit([listed("b")])
    assert bench.reader.retained("mqtt") == {"a": "2", "c": "1"}
    assert bench.reader.retained("other") == {"a": "9"}


async def test_what_an_output_keeps_is_there_when_that_returns(bench: Bench) -> None:
    await bench.committer.note_retained("sparkplug", {"bdSeq": "6", "a": "1"})
    await bench.committer.keep("sparkplug", "bdSeq", "7")
    after = bench.kill()
    assert after.reader.retained("sparkplug")["bdSeq"] == "7"
    await after.close()


async def test_what_can_not_be_kept_is_told(bench: Bench) -> None:
    await bench.committer.close()
    with pytest.raises(CommitFailed):
        await bench.committer.keep("sparkplug", "bdSeq", "7")


async def test_closing_writes_what_waits(bench: Bench) -> None:
    await bench.committer.note_cursor("mqtt", 7)
    await bench.committer.close()
    assert bench.reader.cursor("mqtt") == 7


async def test_nothing_is_taken_after_closing(bench: Bench) -> None:
    await bench.committer.close()
    with pytest.raises(CommitFailed):
        await bench.committer.commit([listed("a")])


async def test_notes_wait_for_room_and_the_newer_counts(bench: Bench) -> None:
    bench.fill()
    await bench.committer.note_cursor("mqtt", 3)
    await bench.committer.note_cursor("other", 5)
    with pytest.raises(CommitFailed):
        await bench.committer.commit([big()])
    await bench.committer.note_cursor("mqtt", 4)
    bench.make_room()
    await bench.committer.commit([big()])
    assert (bench.reader.cursor("mqtt"), bench.reader.cursor("other")) == (4, 5)


async def test_a_snapshot_and_the_tail_make_the_state(bench: Bench) -> None:
    events = story(6)
    await bench.committer.commit(events[:3])
    await bench.committer.save_snapshot(bench.reader.load_state())
    await bench.committer.commit(events[3:])
    assert len(list(bench.reader.snapshots())) == 1
    assert bench.reader.load_state() == fold(State(), enumerate(events, start=1))


async def test_only_the_newest_snapshots_are_kept(bench: Bench) -> None:
    for day in range(limits.SNAPSHOTS_KEPT + 2):
        await bench.committer.commit([listed("a", day)])
        await bench.committer.save_snapshot(bench.reader.load_state())
    await bench.committer.commit([listed("a")])
    assert len(list(bench.reader.snapshots())) == limits.SNAPSHOTS_KEPT


def reading(uptime_s: int) -> StatusReading:
    return StatusReading(status=Status(uptime_s=uptime_s), quality=Quality.GOOD, at=T0)


async def test_the_newest_samples_of_each_relay_are_kept(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(limits, "SAMPLES_PER_RELAY_MAX", 3)
    await bench.committer.add_samples([("a", reading(n)) for n in range(5)])
    await bench.committer.commit([listed("a")])
    await bench.committer.add_samples([("a", reading(5)), ("b", reading(1))])
    await bench.committer.commit([listed("b")])
    kept = [one.status.uptime_s for one in bench.reader.samples("a")]
    assert kept == [5, 4, 3]
    assert bench.reader.samples("a", 1) == [reading(5)]
    assert bench.reader.samples("b") == [reading(1)]


# The end of a process.


async def test_what_was_acknowledged_survives_a_kill(bench: Bench) -> None:
    recorded = await bench.committer.commit(story(3), command=("c1", "{}"))
    await bench.committer.note_cursor("mqtt", 3)
    await bench.committer.commit([listed("b")])
    after = bench.kill()
    assert after.reader.read(0)[:3] == list(recorded)
    assert (after.reader.answer("c1"), after.reader.cursor("mqtt")) == ("{}", 3)
    await after.close()


async def test_notes_not_yet_written_are_forgotten_at_a_kill(bench: Bench) -> None:
    await bench.committer.commit(story(3))
    await bench.committer.note_cursor("mqtt", 3)
    after = bench.kill()
    assert after.reader.cursor("mqtt") == 0
    await after.close()


async def test_after_a_kill_the_chain_goes_on_with_the_same_ids(bench: Bench) -> None:
    (first,) = await bench.committer.commit([listed("a")])
    after = bench.kill()
    (second,) = await after.committer.commit([listed("b")])
    assert second.id == first.id.removesuffix("1") + "2"
    assert isinstance(after.reader.verify(), Verified)
    await after.close()
