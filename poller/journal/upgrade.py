"""A journal of an earlier Bayroll becomes one of this Bayroll; what it was is kept beside it.

Only tables change: events stay octet for octet, and their chain is looked at afterwards as ever.
What an event's body or the state looked like earlier is lifted as it is read (envelope, snapshot).
"""

from __future__ import annotations

import os
import stat
from pathlib import Path
from typing import Final

import apsw
import structlog

from poller.journal import file

log = structlog.get_logger()

STEPS: Final[dict[int, str]] = {}
"""Schema version to the SQL that makes the next one of it; for every version that ever went out."""

PAGES_AT_ONCE: Final = 4_096  # of a copy, 16 MB: nobody else waits for it


def bring_up(path: Path, connection: apsw.Connection) -> None:
    """For the writer, before all else. Raises JournalUnusable; then the file is as it was.

    The copy has the journal's name with schema and last event, journal.schema-1-at-4711, so that no
    copy writes over another one.
    """
    version = connection.pragma("user_version")
    if version == file.SCHEMA_VERSION:
        return
    try:
        trouble = connection.execute("PRAGMA quick_check(1)").fetchall()[0][0]
    except apsw.CorruptError as reason:
        trouble = str(reason)
    if trouble != "ok":
        raise file.damaged(path, str(trouble))
    try:
        kept = _keep(path, connection, version)
        with connection:  # all steps or none
            for step in range(version, file.SCHEMA_VERSION):
                connection.execute(STEPS[step])
                connection.pragma("user_version", step + 1)
    except (apsw.Error, OSError) as reason:
        raise file.unusable(
            path,
            "journal-not-upgraded",
            f"it can't be brought from schema {version} to {file.SCHEMA_VERSION}: {reason}",
            "free as much space on this disk as it takes, for the copy; or use the Bayroll that "
            "wrote it: the file is as it was",
        ) from reason
    log.info("journal_upgraded", schema=file.SCHEMA_VERSION, before=version, kept=str(kept))


def _keep(path: Path, connection: apsw.Connection, version: int) -> Path:
    """All of it in one file, also what still stood in its log; whole or not there."""
    last = connection.execute("SELECT ifnull(max(seq), 0) FROM event").fetchall()[0][0]
    kept = path.with_name(f"{path.name}.schema-{version}-at-{last}")
    new = path.with_name(f"{kept.name}.new")
    for left in (new, Path(f"{new}-wal"), Path(f"{new}-shm"), Path(f"{new}-journal")):
        left.unlink(missing_ok=True)
    new.touch()
    new.chmod(stat.S_IMODE(path.stat().st_mode))
    copy = apsw.Connection(str(new))
    try:
        with copy.backup("main", connection, "main") as backup:
            while not backup.done:
                backup.step(PAGES_AT_ONCE)
    finally:
        copy.close()
    new.replace(kept)
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
    return kept
