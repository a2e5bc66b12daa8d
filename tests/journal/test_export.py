"""The journal as text, and what can be saved of a damaged one."""

from __future__ import annotations

import io
import json
import os
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import apsw
import pytest

from poller.journal import chain
from poller.journal.chain import Verified
from poller.journal.export import export, recover
from poller.journal.file import JournalUnusable
from poller.journal.notes import Notes
from poller.journal.retention import prune
from poller.journal.store import Batch, Reader, Writer
from poller.model.canonical import encode
from tests.journal.made import T0, listed, story


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """1,200 events, a cursor at the last, one at the third, and a command."""
    made = tmp_path / "a.journal"
    with Writer.open(made) as writer:
        writer.write(
            [Batch(events=tuple(story(1_200)), command=("c1", "{}"))],
            Notes(cursors={"mqtt": 1_200, "slow": 3}, retained={("mqtt", "t"): "d"}),
        )
    return made


def exported(path: Path, after: int = 0) -> list[str]:
    stream = io.StringIO()
    count = export(Reader.open(path), stream, after)
    lines = stream.getvalue().splitlines()
    assert count == len(lines)
    return lines


def test_every_event_is_one_line(path: Path) -> None:
    assert [json.loads(line)["seq"] for line in exported(path)] == list(range(1, 1_201))


def test_export_goes_on_after_a_seq(path: Path) -> None:
    assert [json.loads(line)["seq"] for line in exported(path, 1_198)] == [1_199, 1_200]


def test_the_chain_can_be_followed_from_the_lines_alone(path: Path) -> None:
    previous = bytes(32)
    for line in exported(path):
        envelope = json.loads(line)
        hash_hex = envelope.pop("hash")
        previous = chain.link(previous, encode(envelope))
        assert previous.hex() == hash_hex


def test_nothing_a_device_sent_reaches_a_terminal_as_it_is(tmp_path: Path) -> None:
    nasty = "\x1b[2J\x07\x9b31m\u202e\u2028é\n"
    with Writer.open(tmp_path / "a.journal") as writer:
        writer.write([Batch(events=(replace(listed("a"), by=nasty),))])
    (line,) = exported(tmp_path / "a.journal")
    assert all(" " <= one <= "~" for one in line)
    assert json.loads(line)["by"] == nasty


# Recovering.


def _tampered(path: Path) -> None:
    with apsw.Connection(str(path)) as connection:
        connection.execute("UPDATE event SET subject = 'another' WHERE seq = 701")


def _truncated(path: Path) -> None:
    os.truncate(path, path.stat().st_size // 2)


def _torn_page(path: Path) -> None:
    """A page in the middle, as a bad sector leaves it."""
    whole = path.read_bytes()
    page = len(whole) // 4096 // 2 * 4096
    path.write_bytes(whole[:page] + b"\xaa" * 4096 + whole[page + 4096 :])


@pytest.mark.parametrize("damage", [_tampered, _truncated, _torn_page])
def test_the_verifying_prefix_is_saved(path: Path, damage: Callable[[Path], None]) -> None:
    before = Reader.open(path).read(0, 2_000)
    damage(path)
    told = recover(path, path.with_name("b.journal"))
    assert told.broken is not None
    assert told.broken.seq == told.kept + 1
    assert 1 < told.kept < 1_200
    reader = Reader.open(path.with_name("b.journal"))
    assert reader.verify(told.head) == Verified(head=told.head, count=told.kept)
    assert reader.read(0, 2_000) == before[: told.kept]


def test_exactly_up_to_the_first_broken_event(path: Path) -> None:
    _tampered(path)
    assert recover(path, path.with_name("b.journal")).kept == 700


def test_a_whole_journal_is_saved_whole(path: Path) -> None:
    told = recover(path, path.with_name("b.journal"))
    assert (told.kept, told.broken) == (1_200, None)


def test_cursors_are_set_back_to_what_is_left(path: Path) -> None:
    """Else the events that follow would not be delivered."""
    _tampered(path)
    recover(path, path.with_name("b.journal"))
    reader = Reader.open(path.with_name("b.journal"))
    assert (reader.cursor("mqtt"), reader.cursor("slow")) == (700, 3)


def test_what_outputs_and_people_remember_is_saved(path: Path) -> None:
    _tampered(path)
    recover(path, path.with_name("b.journal"))
    reader = Reader.open(path.with_name("b.journal"))
    assert (reader.answer("c1"), reader.retained("mqtt")) == ("{}", {"t": "d"})


def test_no_new_event_takes_the_id_of_a_lost_one(path: Path) -> None:
    lost = Reader.open(path).read(700, 1)[0].id
    _tampered(path)
    recover(path, path.with_name("b.journal"))
    with Writer.open(path.with_name("b.journal")) as writer:
        writer.write([Batch(events=(listed("a"),))])
        after = writer.reader.read(700)[0]
        assert isinstance(writer.reader.verify(), Verified)
    assert (after.seq, after.id == lost) == (701, False)


def test_a_pruned_journal_keeps_its_beginning(path: Path) -> None:
    """The event that says what was pruned stands behind the broken one."""
    with Writer.open(path) as writer:
        writer.write([], Notes(snapshot=writer.reader.load_state()))
        assert prune(writer, keep_days=90, now=T0 + timedelta(days=190), required=[])
    _tampered(path)
    told = recover(path, path.with_name("b.journal"))
    assert (told.kept, told.head.seq) == (600, 700)
    reader = Reader.open(path.with_name("b.journal"))
    assert isinstance(reader.verify(told.head), Verified)
    assert reader.load_state().relays["q07-main-1"].seen_day == "2028-01-29"


def test_a_file_that_exists_is_not_written_over(path: Path) -> None:
    path.with_name("b.journal").write_text("mine")
    with pytest.raises(JournalUnusable, match="journal-exists"):
        recover(path, path.with_name("b.journal"))
    assert path.with_name("b.journal").read_text() == "mine"


def test_a_damaged_file_is_only_read(path: Path) -> None:
    _tampered(path)
    before = path.read_bytes()
    recover(path, path.with_name("b.journal"))
    assert path.read_bytes() == before
