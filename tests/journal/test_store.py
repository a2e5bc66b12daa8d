"""The file: made, locked, looked at, read beside its writer and on read-only media."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import apsw
import pytest

from poller.journal import Journal, file
from poller.journal.chain import Broken, Verified
from poller.journal.file import JournalUnusable, Locked
from poller.journal.ports import CommitFailed
from poller.journal.store import Batch, Reader, Writer
from poller.model import events as ev
from tests.journal.made import RELAYS, T0, files, listed, seen, story


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "a.journal"


def written(path: Path, events: list[ev.Event]) -> Path:
    """A journal that was closed in order."""
    with Writer.open(path) as writer:
        writer.write([Batch(events=tuple(events))])
    return path


def told(path: Path, opened: Callable[[Path], object]) -> str:
    with pytest.raises(JournalUnusable) as reason:
        opened(path)
    assert str(path) in str(reason.value)
    return reason.value.problem.code


# Made.


def test_only_the_writer_makes_a_journal(path: Path) -> None:
    assert told(path, Reader.open) == "journal-missing"
    assert not path.exists()


def test_the_header_says_whose_file_it_is(path: Path) -> None:
    written(path, [])
    header = path.read_bytes()[:100]  # source: SQLite's file format, offsets 60 and 68
    assert (header[60:64], header[68:72]) == (b"\0\0\0\1", b"Bayr")


def test_a_crash_while_it_is_made_leaves_no_half_of_it(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as patch:
        patch.setattr(file, "SCHEMA", file.SCHEMA + "CREATE TABLE meta (x);")
        assert told(path, Writer.open) == "journal-unreachable"
    assert not path.exists()
    written(path, story(1))
    assert files(path.parent) == {"a.journal", "a.journal.lock"}


def test_each_journal_has_a_uuid_of_its_own(tmp_path: Path) -> None:
    one, other = (Reader.open(written(tmp_path / name, [])).journal() for name in "ab")
    assert one != other


def test_commits_are_synced_and_read_beside(path: Path) -> None:
    with Writer.open(path) as writer:
        pragma = writer.connection.pragma
        assert (pragma("journal_mode"), pragma("synchronous")) == ("wal", 2)


# Locked.


def test_a_second_writer_is_told_who_has_it(path: Path) -> None:
    with Writer.open(path), pytest.raises(Locked, match=f"process {os.getpid()}") as reason:
        Writer.open(path)
    assert reason.value.pid == os.getpid()


def test_another_way_to_the_file_is_locked_too(path: Path) -> None:
    link = path.with_name("link.journal")
    link.symlink_to(path)
    with Writer.open(path), pytest.raises(Locked):
        Writer.open(link)


def test_a_writer_in_another_process_is_locked_out(path: Path) -> None:
    code = (
        "import sys; from pathlib import Path; from poller.journal.store import Locked, Writer\n"
        "try: Writer.open(Path(sys.argv[1]))\n"
        "except Locked as reason: print(reason.pid)"
    )
    with Writer.open(path):
        run = subprocess.run(
            [sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=True
        )
    assert run.stdout.strip() == str(os.getpid())


def test_the_lock_is_free_after_closing_and_after_a_failed_opening(path: Path) -> None:
    path.write_bytes(b"no database at all, but long enough to have a header" * 10)
    assert told(path, Writer.open) == "journal-foreign"
    path.unlink()
    written(path, story(1))
    written(path, [seen(RELAYS[0], 1)])
    assert Reader.open(path).head().seq == 2


# What is no journal, or no longer.


def _foreign_database(path: Path) -> None:
    with apsw.Connection(str(path)) as connection:
        connection.execute("CREATE TABLE x (y); PRAGMA application_id = 77")


def _newer(path: Path) -> None:
    written(path, story(2))
    with apsw.Connection(str(path)) as connection:
        connection.execute("PRAGMA user_version = 2")


def _log_left(path: Path) -> None:
    Path(f"{path}-wal").write_bytes(b"x" * 100)


def _truncated(path: Path) -> None:
    written(path, story(500))
    os.truncate(path, path.stat().st_size // 2)


def _torn_first_page(path: Path) -> None:
    written(path, story(2))
    whole = path.read_bytes()
    path.write_bytes(whole[:100] + bytes(3996) + whole[4096:])


UNUSABLE: dict[str, tuple[Callable[[Path], object], str]] = {
    "text": (lambda path: path.write_text("relays:\n" * 100), "journal-foreign"),
    "empty": (lambda path: path.touch(), "journal-foreign"),
    "another program's database": (_foreign_database, "journal-foreign"),
    "a newer schema": (_newer, "journal-newer"),
    "cut in half": (_truncated, "journal-damaged"),
    "its first page torn": (_torn_first_page, "journal-damaged"),
    "a folder": (lambda path: path.mkdir(), "journal-unreachable"),
}


@pytest.mark.parametrize("opened", [Reader.open, Writer.open], ids=["reader", "writer"])
@pytest.mark.parametrize("what", UNUSABLE)
def test_what_can_not_be_used_is_told_and_left_alone(
    path: Path, what: str, opened: Callable[[Path], object]
) -> None:
    make, code = UNUSABLE[what]
    make(path)
    before = None if path.is_dir() else path.read_bytes()
    assert told(path, opened) == code
    assert before == (None if path.is_dir() else path.read_bytes())


def test_a_log_without_its_file_is_not_written_over(path: Path) -> None:
    _log_left(path)
    assert told(path, Writer.open) == "journal-half-gone"
    assert not path.exists()


def test_an_end_that_was_written_and_is_missing_is_told(path: Path) -> None:
    """An older copy is whole in itself; the lock file says how far the journal was."""
    with Writer.open(path) as writer:
        writer.write([Batch(events=tuple(story(2)))])
    older = path.read_bytes()
    with Writer.open(path) as writer:
        writer.write([Batch(events=tuple(story(3)))])
    path.write_bytes(older)
    assert told(path, Writer.open) == "journal-cut"
    assert path.read_bytes() == older


def test_a_journal_that_held_events_is_not_begun_anew(path: Path) -> None:
    with Writer.open(path) as writer:
        writer.write([Batch(events=tuple(story(2)))])
    path.unlink()
    assert told(path, Writer.open) == "journal-gone"
    assert not path.exists()


def test_a_folder_that_is_not_there_is_told(path: Path) -> None:
    assert told(path.parent / "none" / "a.journal", Writer.open) == "journal-unreachable"


def test_every_message_says_how_to_mend_it(path: Path) -> None:
    with pytest.raises(JournalUnusable) as reason:
        Reader.open(path)
    assert str(reason.value) == (
        f"{path}: there is no such journal [journal-missing]\n"
        "    mend: start the service, which makes it: bayroll run SITE"
    )


def test_a_file_taken_away_under_the_writer_is_a_failed_commit(path: Path) -> None:
    with Writer.open(path) as writer:
        path.rename(path.with_name("elsewhere"))
        with pytest.raises(CommitFailed):
            writer.write([Batch(events=tuple(story(1)))])


def test_a_file_put_in_its_place_is_a_failed_commit(path: Path) -> None:
    with Writer.open(path) as writer:
        path.rename(path.with_name("elsewhere"))
        shutil.copy(path.with_name("elsewhere"), path)
        with pytest.raises(CommitFailed, match="another file"):
            writer.write([Batch(events=tuple(story(1)))])


def test_a_batch_written_before_another_failed_leaves_no_trace(path: Path) -> None:
    big = ev.Event(at=T0, subject="", body=ev.ServiceStopped(reason="x" * 100_000))
    with Writer.open(path) as writer:
        writer.connection.pragma("max_page_count", 1)  # as many as there are
        with pytest.raises(CommitFailed, match="full"):
            writer.write([Batch(events=(listed("a"),)), Batch(events=(big,))])
        assert writer.head == writer.reader.head()
        writer.write([Batch(events=(listed("b"),))])
        assert [one.seq for one in writer.reader.read(0)] == [1]
        assert isinstance(writer.reader.verify(), Verified)


# Tampered with, on disk.

TAMPERED = {
    "seq": ("UPDATE event SET seq = 99 WHERE seq = 6", 6),
    "at": ("UPDATE event SET at = '2020-01-01T00:00:00.000Z' WHERE seq = 3", 3),
    "kind": ("UPDATE event SET kind = 'relay_silent' WHERE seq = 3", 3),
    "subject": ("UPDATE event SET subject = 'another' WHERE seq = 3", 3),
    "stored": ("UPDATE event SET stored = replace(stored, 'Q07', 'Q08') WHERE seq = 1", 1),
    "hash": ("UPDATE event SET hash = zeroblob(32) WHERE seq = 3", 3),
    "a row": ("DELETE FROM event WHERE seq = 4", 4),
    "the first row": ("DELETE FROM event WHERE seq = 1", 1),
}


@pytest.mark.parametrize("what", TAMPERED)
def test_tampering_in_the_file_is_named(path: Path, what: str) -> None:
    sql, seq = TAMPERED[what]
    written(path, story(6))
    with apsw.Connection(str(path)) as connection:
        connection.execute(
            sql.replace("replace(stored", "CAST(replace(stored").replace(
                "'Q08')", "'Q08') AS BLOB)"
            )
        )
    broken = Reader.open(path).verify()
    assert isinstance(broken, Broken)
    assert broken.seq == seq


def test_a_tail_cut_off_is_seen_only_against_a_noted_head(path: Path) -> None:
    written(path, story(6))
    head = Reader.open(path).head()
    with apsw.Connection(str(path)) as connection:
        connection.execute("DELETE FROM event WHERE seq > 4")
    reader = Reader.open(path)
    assert isinstance(reader.verify(), Verified)
    broken = reader.verify(head)
    assert isinstance(broken, Broken)
    assert broken.seq == 5


def test_nothing_is_appended_to_a_broken_end(path: Path) -> None:
    written(path, story(6))
    with apsw.Connection(str(path)) as connection:
        connection.execute("UPDATE event SET hash = zeroblob(32) WHERE seq = 6")
    assert told(path, Writer.open) == "journal-damaged"


def test_verifying_a_torn_file_names_the_first_event_that_is_gone(path: Path) -> None:
    _truncated(path)
    broken = Reader.open(path, torn=True).verify()
    assert isinstance(broken, Broken)
    assert 1 < broken.seq <= 500
    assert "damaged" in broken.reason


def test_an_unknown_kind_stops_the_reading_with_a_clear_message(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    written(path, story(3))
    monkeypatch.delitem(ev.KINDS, ("relay_seen", 1))
    with pytest.raises(JournalUnusable, match=re.escape("event 2 is a relay_seen of version 1")):
        Reader.open(path).load_state()


def test_an_unknown_kind_still_verifies(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    written(path, story(3))
    monkeypatch.delitem(ev.KINDS, ("relay_seen", 1))
    assert isinstance(Reader.open(path).verify(), Verified)


# History.

HISTORY = [
    listed("a"),
    listed("b"),
    *(seen("a", day) for day in (1, 2, 3)),
    ev.Event(at=T0, subject="", body=ev.ServiceStopped(reason="stopped")),
]
ASKED: dict[str, tuple[dict[str, object], list[int]]] = {
    "all": ({}, [1, 2, 3, 4, 5, 6]),
    "one relay": ({"subject": "a"}, [1, 3, 4, 5]),
    "the poller itself": ({"subject": ""}, [6]),
    "a relay that is not there": ({"subject": "c"}, []),
    "one kind": ({"kinds": ["relay_listed"]}, [1, 2]),
    "two kinds": ({"kinds": ["relay_listed", "service_stopped"]}, [1, 2, 6]),
    "no kind": ({"kinds": []}, []),
    "a relay and a kind": ({"subject": "a", "kinds": ["relay_seen"]}, [3, 4, 5]),
    "after": ({"after": 4}, [5, 6]),
    "the oldest two": ({"limit": 2}, [1, 2]),
    "the newest two": ({"limit": 2, "newest_first": True}, [6, 5]),
}


@pytest.mark.parametrize("what", ASKED)
def test_history(path: Path, what: str) -> None:
    asked, seqs = ASKED[what]
    journal = Journal.open(written(path, HISTORY))
    assert [one.seq for one in journal.history(**asked)] == seqs  # type: ignore[arg-type]


def test_the_public_journal_reads_heads_states_and_chains(path: Path) -> None:
    with Journal.open(written(path, story(3))) as journal:
        assert [one.seq for one in journal.read(1)] == [2, 3]
        assert journal.state().relays[RELAYS[0]].seen_day == "2026-03-03"
        assert journal.verify(journal.head()) == Verified(head=journal.head(), count=3)


# Read-only media.

AS_NOBODY = """
import os, sys
from pathlib import Path
from poller.journal import Journal, JournalUnusable
# all that is ever imported is imported now: nobody may not look into root's Python
for warm in ("warm.journal", "missing.journal"):
    try:
        Journal.open(Path(sys.argv[2]) / warm).state()
    except JournalUnusable as reason:
        str(reason)
if os.geteuid() == 0:
    os.setuid(65534)
try:
    print(Journal.open(Path(sys.argv[1])).state().seq)
except JournalUnusable as reason:
    print(reason.problem.code)
"""


@pytest.fixture
def sealed() -> Iterator[Path]:
    """A folder that nobody can write in, and anybody can enter."""
    folder = Path(tempfile.mkdtemp(prefix="bayroll-sealed-"))
    yield folder
    folder.chmod(0o755)
    shutil.rmtree(folder)


def read_as_nobody(path: Path) -> str:
    path.parent.chmod(0o555)
    with tempfile.TemporaryDirectory() as warm:
        written(Path(warm) / "warm.journal", story(3))
        command = [sys.executable, "-c", AS_NOBODY, str(path), warm]
        run = subprocess.run(command, capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stderr
    return run.stdout.strip()


def test_a_closed_journal_is_read_where_nothing_can_be_written(sealed: Path) -> None:
    assert read_as_nobody(written(sealed / "a.journal", story(3))) == "3"
    assert files(sealed) == {"a.journal", "a.journal.lock"}


def test_a_log_that_can_not_be_read_in_is_told_and_not_passed_over(
    sealed: Path, path: Path
) -> None:
    with Writer.open(path) as writer:
        writer.write([Batch(events=tuple(story(3)))])
        for name in ("a.journal", "a.journal-wal"):
            shutil.copy(path.with_name(name), sealed)
    assert read_as_nobody(sealed / "a.journal") == "journal-unreachable"


def test_a_new_journal_is_not_for_others_to_read(tmp_path: Path) -> None:
    mask = os.umask(0o022)
    try:
        with Writer.open(tmp_path / "a.journal") as writer:
            writer.write([Batch(events=tuple(story(3)))])
            modes = {path.name: path.stat().st_mode & 0o777 for path in tmp_path.iterdir()}
    finally:
        os.umask(mask)
    assert modes == {f"a.journal{end}": 0o640 for end in ("", "-wal", "-shm", ".lock")}
