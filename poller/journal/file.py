"""The journal file: made whole or not at all, looked at before it is trusted, written by one.

FILE.lock is held by the writer and says its process; below that it notes the head that was durable
last, so that a log or a tail that went missing is noticed: the chain can't tell that by itself.
"""

from __future__ import annotations

import fcntl
import os
import uuid
import zlib
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import apsw

from poller.journal.ports import Head
from poller.model.canonical import stamp
from poller.model.problems import Problem

APPLICATION_ID: Final = 0x42617972  # "Bayr", in the file's header
SCHEMA_VERSION: Final = 1  # with the next one goes a step in upgrade.py
LOCK_BYTES_MAX: Final = 256  # a process, a uuid, a seq and two sums
MODE: Final = 0o640  # what runs where is its owner's to write, a group's to read, nobody else's
BUSY_MS: Final = 2_000  # only while a crashed writer's log is recovered, or while its file is made
CACHE_KIB: Final = 512  # of a connection; the system keeps the file's pages anyway

SCHEMA: Final = f"""
PRAGMA application_id = {APPLICATION_ID};
PRAGMA user_version = {SCHEMA_VERSION};
CREATE TABLE meta (journal TEXT NOT NULL, created TEXT NOT NULL) STRICT;
CREATE TABLE event (
  seq INTEGER PRIMARY KEY, at TEXT NOT NULL, kind TEXT NOT NULL, subject TEXT NOT NULL,
  stored BLOB NOT NULL, hash BLOB NOT NULL) STRICT;
CREATE INDEX event_kind ON event (kind, seq);
CREATE INDEX event_subject ON event (subject, seq);
CREATE INDEX event_at ON event (at, seq);
CREATE TABLE snapshot (seq INTEGER PRIMARY KEY, stored BLOB NOT NULL) STRICT;
CREATE TABLE cursor (output TEXT PRIMARY KEY, seq INTEGER NOT NULL) STRICT, WITHOUT ROWID;
CREATE TABLE retained (
  output TEXT NOT NULL, name TEXT NOT NULL, digest TEXT NOT NULL,
  PRIMARY KEY (output, name)) STRICT, WITHOUT ROWID;
CREATE TABLE command (n INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, answer TEXT NOT NULL) STRICT;
CREATE TABLE sample (
  relay TEXT NOT NULL, n INTEGER NOT NULL, at TEXT NOT NULL, stored BLOB NOT NULL,
  PRIMARY KEY (relay, n)) STRICT, WITHOUT ROWID;
"""


class JournalUnusable(Exception):
    """The file can't be used as it is. problem: what, and how to mend it."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        super().__init__(str(problem))


class Locked(JournalUnusable):
    """Another process writes this journal. pid: which, where it could be told."""

    def __init__(self, problem: Problem, pid: int | None) -> None:
        self.pid = pid
        super().__init__(problem)


def unusable(path: Path, code: str, what: str, mend: str) -> JournalUnusable:
    return JournalUnusable(Problem(code=code, file=str(path), what=what, mend=mend))


def damaged(path: Path, what: str) -> JournalUnusable:
    return unusable(
        path,
        "journal-damaged",
        f"the file is damaged: {what}",
        f"keep it as evidence; bayroll journal verify --file {path} names the first event at "
        f"fault; what stands before it can be saved: {_saved(path)}",
    )


def cut(path: Path, noted: Head, found: Head) -> JournalUnusable:
    """Events that were durable, and perhaps told to somebody, are not there any more."""
    return unusable(
        path,
        "journal-cut",
        f"events up to {noted.seq} were written, and it ends at {found.seq}",
        f"put back {path.name}-wal or the newer copy of the file, if there is one; what is here "
        f"can be saved: {_saved(path)}",
    )


def _saved(path: Path) -> str:
    return f"bayroll journal recover {path} NEW_FILE, then journal: {{file: NEW_FILE}} in the site"


def gone(path: Path, noted: Noted) -> JournalUnusable:
    return unusable(
        path,
        "journal-gone",
        f"the file is gone; it held events up to {noted.head.seq}",
        f"put it back; or, to begin a new journal, move {path.name}.lock away too",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Noted:
    """What FILE.lock says was durable. journal: the uuid of the file that it was in."""

    journal: str
    head: Head

    def line(self) -> str:
        text = f"{self.journal} {self.head.seq} {self.head.hash}"
        return f"{text} {zlib.crc32(text.encode()):08x}"


class Lock:
    """Held. noted: what the writer before had made durable; None: nothing that can be read."""

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor
        self.noted = _noted(os.pread(descriptor, LOCK_BYTES_MAX, 0))
        self._write(self.noted)

    def note(self, journal: str, head: Head) -> None:
        """After each commit, and not synced: a note that is behind is still a note."""
        with suppress(OSError):  # a disk so full that no byte can be changed
            self._write(Noted(journal=journal, head=head))

    def _write(self, noted: Noted | None) -> None:
        text = f"{os.getpid()}\n" + (f"{noted.line()}\n" if noted else "")
        os.pwrite(self._descriptor, text.encode(), 0)
        os.ftruncate(self._descriptor, len(text))


def noted(path: Path) -> Noted | None:
    """What was durable last, as far as anybody noted it; beside a running writer too."""
    try:
        with path.with_name(path.name + ".lock").open("rb") as lock:
            return _noted(lock.read(LOCK_BYTES_MAX))
    except OSError:
        return None


def _noted(lock: bytes) -> Noted | None:
    """None where it is torn, or of a Bayroll that noted nothing."""
    words = lock.decode("ascii", "replace").partition("\n")[2].split()
    if len(words) != 4 or not words[1].isdecimal():
        return None
    found = Noted(journal=words[0], head=Head(seq=int(words[1]), hash=words[2]))
    return found if found.line() == " ".join(words) else None


@contextmanager
def locked(path: Path) -> Iterator[Lock]:
    """Holds FILE.lock; the kernel frees it with the process, however that ends."""
    lock = path.with_name(path.name + ".lock")
    made = not lock.exists()
    try:
        descriptor = os.open(lock, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, MODE)
    except OSError as reason:
        raise unusable(
            path,
            "journal-unreachable",
            f"its lock file can't be opened: {reason.strerror}",
            "let the user who runs Bayroll write in this folder, which must exist",
        ) from reason
    try:
        if made:
            give_to_its_owner(descriptor, path)
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as reason:
            raise _held(path, descriptor) from reason
        yield Lock(descriptor)
    finally:
        os.close(descriptor)


def give_to_its_owner(descriptor: int, journal: Path) -> None:
    """What root makes beside the journal of a service that is another user would lock it out."""
    if os.geteuid() == 0:
        owner = (journal if journal.exists() else journal.parent).stat()
        os.fchown(descriptor, owner.st_uid, owner.st_gid)


def holder(path: Path) -> Locked | None:
    """Which process writes this journal now; None: no process does, as far as it can be told."""
    path = path.resolve()
    try:
        descriptor = os.open(path.with_name(path.name + ".lock"), os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return None
    try:
        # the lock of nobody is not tried: a service that starts just now would find it taken
        if not _lives(_pid(descriptor)):
            return None
        fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return _held(path, descriptor)
    finally:
        os.close(descriptor)
    return None


def _lives(pid: int | None) -> bool:
    if not pid:
        return False
    try:
        os.kill(pid, 0)
    except (ProcessLookupError, OverflowError):
        return False
    except PermissionError:  # another user's
        return True
    return True


def _pid(descriptor: int) -> int | None:
    text = os.pread(descriptor, 20, 0).decode("ascii", "replace").partition("\n")[0]
    return int(text) if text.isdecimal() else None


def _held(path: Path, descriptor: int) -> Locked:
    pid = _pid(descriptor)
    who = "another process" if pid is None else f"process {pid}"
    return Locked(
        Problem(
            code="journal-locked",
            file=str(path),
            what=f"{who} writes this journal",
            mend="ask the running service, with BAYROLL_RUNTIME_DIR as it has it, or stop it first",
        ),
        pid,
    )


def create(path: Path, noted: Noted | None = None) -> None:
    """A new, empty journal. Only its writer, who holds the lock, may call this.

    noted: what the lock says of a file that was here; it is not to be begun anew unasked.

    It is made under another name and then moved, so that a crash leaves a whole journal or none.
    """
    log = Path(f"{path}-wal")
    if log.exists() and log.stat().st_size:
        raise unusable(
            path,
            "journal-half-gone",
            f"the file is gone, but {log.name}, a part of it, is still there",
            "put the file back beside it, or move both away to begin a new journal",
        )
    if noted is not None and noted.head.seq:
        raise gone(path, noted)
    new = path.with_name(path.name + ".new")
    for left in (new, Path(f"{new}-wal"), Path(f"{new}-shm")):
        left.unlink(missing_ok=True)
    try:
        descriptor = os.open(new, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, MODE)
        try:  # SQLite gives what it makes beside it the same mode and owner
            give_to_its_owner(descriptor, path)
        finally:
            os.close(descriptor)
        connection = apsw.Connection(str(new))
        with connection:
            connection.execute(SCHEMA)
            connection.execute(
                "INSERT INTO meta VALUES (?, ?)", (str(uuid.uuid4()), stamp(datetime.now(UTC)))
            )
        connection.pragma("journal_mode", "wal")
        connection.close()
        new.replace(path)
        folder = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
    except (apsw.Error, OSError) as reason:
        raise unusable(
            path, "journal-unreachable", f"it can't be made: {reason}", "free space on this disk"
        ) from reason


def open_writing(path: Path) -> apsw.Connection:
    """A connection of the writer, looked at. Until trust() is called it changes nothing.

    Its schema may be an earlier one: see upgrade.py.
    """
    connection = _connect(path, str(path), apsw.SQLITE_OPEN_READWRITE, earlier=True)
    try:
        # else closing it reads the log into a file that is to be kept as it is
        connection.config(apsw.SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, 1)
        connection.pragma("journal_mode", "wal")
        connection.pragma("synchronous", "full")
    except apsw.Error as reason:
        raise damaged(path, str(reason)) from reason
    return connection


def trust(connection: apsw.Connection) -> None:
    """The file was found whole: closing may tidy up."""
    connection.config(apsw.SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, 0)


def open_reading(path: Path, *, torn: bool = False) -> apsw.Connection:
    """A read-only connection, looked at. torn: also where the end of the file is missing."""
    if not path.exists():
        raise unusable(
            path,
            "journal-missing",
            "there is no such journal",
            "start the service, which makes it: bayroll run SITE",
        )
    flags = apsw.SQLITE_OPEN_READONLY | apsw.SQLITE_OPEN_URI
    name = path.absolute().as_uri() + "?mode=ro"
    if _still(path):
        name += "&immutable=1"
    return _connect(path, name, flags, torn=torn)


def _still(path: Path) -> bool:
    """Read-only media, with nothing beside the file: SQLite can't make its index, nor needs to."""
    if os.access(path.parent, os.W_OK):
        return False
    log = Path(f"{path}-wal")
    sealed = bool(os.statvfs(path).f_flag & os.ST_RDONLY)
    return not log.exists() or (sealed and log.stat().st_size == 0)


def _connect(
    path: Path, name: str, flags: int, *, torn: bool = False, earlier: bool = False
) -> apsw.Connection:
    try:
        connection = apsw.Connection(name, flags=flags)
        connection.set_busy_timeout(BUSY_MS)
        if torn:
            connection.pragma("writable_schema", "on")  # SQLite's own way past a file too short
        _look(path, connection, earlier)
        connection.pragma("cache_size", -CACHE_KIB)
    except apsw.NotADBError as reason:
        raise _foreign(path) from reason
    except (apsw.CorruptError, UnicodeDecodeError) as reason:
        raise damaged(path, str(reason)) from reason
    except apsw.Error as reason:
        raise unusable(
            path,
            "journal-unreachable",
            f"it can't be opened: {reason}",
            "let this user read the file and what lies beside it (-wal, -shm), and the service's "
            "write them and their folder; from read-only media copy all three to such a folder",
        ) from reason
    return connection


def _look(path: Path, connection: apsw.Connection, earlier: bool) -> None:
    if connection.pragma("application_id") != APPLICATION_ID:
        raise _foreign(path)
    version = connection.pragma("user_version")
    if version < 1:
        raise damaged(path, f"its schema is version {version}, which there never was")
    if version < SCHEMA_VERSION and not earlier:
        raise unusable(
            path,
            "journal-older",
            f"its schema is version {version}; this Bayroll reads {SCHEMA_VERSION}",
            "start the service on it once, which brings it up and keeps a copy: bayroll run SITE; "
            "or use the Bayroll that wrote it",
        )
    if version > SCHEMA_VERSION:
        raise unusable(
            path,
            "journal-newer",
            f"its schema is version {version}; this Bayroll knows {SCHEMA_VERSION}",
            "use the Bayroll that wrote it, or a newer one",
        )
    if len(connection.execute("SELECT journal FROM meta").fetchall()) != 1:
        raise damaged(path, "it does not say which journal it is")


def _foreign(path: Path) -> JournalUnusable:
    return unusable(
        path,
        "journal-foreign",
        "this is no Bayroll journal",
        "name another file; Bayroll writes over nothing that it did not make",
    )
