"""A journal of an earlier schema: brought up by its writer, all or nothing, with a copy kept.

So far there is one schema; the ones after it here are invented.
"""

from __future__ import annotations

from pathlib import Path

import apsw
import pytest

from poller.journal import file, upgrade
from poller.journal.chain import Verified
from poller.journal.file import JournalUnusable
from poller.journal.notes import Notes
from poller.journal.store import Batch, Reader, Writer
from tests.journal.made import files, story

STEPS = {
    1: "ALTER TABLE meta ADD COLUMN place TEXT; UPDATE meta SET place = 'hut'",
    2: "CREATE TABLE place (name TEXT NOT NULL) STRICT; INSERT INTO place SELECT place FROM meta",
}
COPY = "a.journal.schema-1-at-20"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """20 events and a cursor, of schema 1."""
    made = tmp_path / "a.journal"
    with Writer.open(made) as writer:
        writer.write([Batch(events=tuple(story(20)))], Notes(cursors={"mqtt": 7}))
    return made


@pytest.fixture
def later(path: Path, monkeypatch: pytest.MonkeyPatch) -> pytest.MonkeyPatch:
    """From here on this is a Bayroll of schema 3."""
    monkeypatch.setattr(file, "SCHEMA_VERSION", 3)
    monkeypatch.setattr(upgrade, "STEPS", STEPS)
    return monkeypatch


def rows(path: Path) -> list[tuple[object, ...]]:
    with apsw.Connection(str(path)) as connection:
        return connection.execute("SELECT * FROM event ORDER BY seq").fetchall()


def version(path: Path) -> int:
    with apsw.Connection(str(path)) as connection:
        found: int = connection.pragma("user_version")
        return found


def test_each_earlier_schema_has_its_step() -> None:
    assert sorted(upgrade.STEPS) == list(range(1, file.SCHEMA_VERSION))


def test_all_steps_are_taken_in_order_and_events_stay_as_they_were(
    path: Path, later: pytest.MonkeyPatch
) -> None:
    before = rows(path)
    with Writer.open(path) as writer:
        assert writer.connection.execute("SELECT name FROM place").fetchall() == [("hut",)]
        assert writer.reader.cursor("mqtt") == 7
        writer.write([Batch(events=tuple(story(1)))])
        assert isinstance(writer.reader.verify(), Verified)
    assert version(path) == 3
    assert rows(path)[:20] == before


def test_the_copy_is_a_journal_for_the_bayroll_before(
    path: Path, later: pytest.MonkeyPatch
) -> None:
    before = rows(path)
    Writer.open(path).close()
    later.undo()
    copy = path.with_name(COPY)
    with Reader.open(copy) as reader:
        assert isinstance(reader.verify(), Verified)
    assert rows(copy) == before
    assert files(path.parent) == {"a.journal", "a.journal.lock", COPY}


def test_what_still_stood_in_the_log_is_in_the_copy(path: Path, later: pytest.MonkeyPatch) -> None:
    """Its writer was killed: nothing was read from the log into the file."""
    killed = apsw.Connection(str(path))
    killed.config(apsw.SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, 1)
    killed.execute("UPDATE cursor SET seq = 9")
    killed.close()
    assert f"{path.name}-wal" in files(path.parent)
    Writer.open(path).close()
    with apsw.Connection(str(path.with_name(COPY))) as copy:
        assert copy.execute("SELECT seq FROM cursor").fetchall() == [(9,)]


def test_one_that_is_up_to_date_is_not_copied(path: Path) -> None:
    Writer.open(path).close()
    assert files(path.parent) == {"a.journal", "a.journal.lock"}


def test_who_only_reads_is_told_and_changes_nothing(path: Path, later: pytest.MonkeyPatch) -> None:
    before = path.read_bytes()
    with pytest.raises(JournalUnusable) as reason:
        Reader.open(path)
    assert reason.value.problem.code == "journal-older"
    assert path.read_bytes() == before


@pytest.mark.parametrize("fails", ["DROP TABLE none", "INSERT INTO meta VALUES (NULL, NULL, NULL)"])
def test_a_step_that_fails_leaves_it_as_it_was(
    path: Path, later: pytest.MonkeyPatch, fails: str
) -> None:
    before = rows(path)
    with later.context() as patch:
        patch.setitem(upgrade.STEPS, 2, fails)
        with pytest.raises(JournalUnusable) as reason:
            Writer.open(path)
    assert reason.value.problem.code == "journal-not-upgraded"
    assert (version(path), rows(path)) == (1, before)
    Writer.open(path).close()  # and the next try takes
    assert version(path) == 3


def test_without_a_copy_nothing_is_changed(path: Path, later: pytest.MonkeyPatch) -> None:
    path.with_name(f"{COPY}.new").mkdir()  # stands where the copy is to be made
    with pytest.raises(JournalUnusable, match="as it was"):
        Writer.open(path)
    assert version(path) == 1


def test_a_damaged_one_is_left_alone(path: Path, later: pytest.MonkeyPatch) -> None:
    whole = path.read_bytes()
    pages = len(whole) // 4096
    path.write_bytes(whole[: 4096 * (pages // 2)] + bytes(64) + whole[4096 * (pages // 2) + 64 :])
    before = path.read_bytes()
    with pytest.raises(JournalUnusable) as reason:
        Writer.open(path)
    assert reason.value.problem.code == "journal-damaged"
    assert path.read_bytes() == before
    assert not [name for name in files(path.parent) if "schema" in name]


def test_the_copy_is_for_nobody_whom_the_journal_is_not_for(
    path: Path, later: pytest.MonkeyPatch
) -> None:
    path.chmod(0o600)
    Writer.open(path).close()
    assert (path.parent / COPY).stat().st_mode & 0o777 == 0o600
