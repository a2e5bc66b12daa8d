"""Damages to a journal file, seeded, and what may come of each: it is refused, or all is there.

A journal that starts without something that was acknowledged, or that starts anew, is the one
thing that must never come of it.
"""

from __future__ import annotations

import random
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import TypeAlias

import apsw

from poller.journal import chain
from poller.journal.chain import Verified
from poller.journal.export import recover
from poller.journal.file import JournalUnusable
from poller.journal.notes import Notes
from poller.journal.store import Batch, Reader, Writer
from poller.model import events as ev
from poller.model.events import Recorded
from poller.model.standing import State
from poller.state import fold
from tests.journal.made import RELAYS, T0, listed, seen

PAGE = 4096
NAME = "a.journal"
IN_THE_FILE, IN_THE_LOG = 900, 150  # events; the log is what a checkpoint has not read in yet

Damage: TypeAlias = Callable[[Path, random.Random], None]


@dataclass(frozen=True, slots=True)
class Built:
    """Two copies of one journal: closed in order, and as a SIGKILL leaves it. events: all of it;
    state: what they lead to."""

    closed: Path
    killed: Path
    events: tuple[Recorded, ...]
    state: State


def build(folder: Path) -> Built:
    """With snapshots, cursors, digests, answers; and one event longer than a page."""
    path = folder / "made" / NAME
    for name in ("made", "closed", "killed"):
        (folder / name).mkdir()
    with Writer.open(path) as writer:
        text = {f"{n}.yaml": f"relays: {n}\n" * 2_000 for n in range(4)}
        site = ev.SiteLoaded(site="tarn", sha256="0" * 64, files=text)
        first = [*(listed(relay) for relay in RELAYS), ev.Event(at=T0, subject="", body=site)]
        writer.write([Batch(events=tuple(first), command=("c1", "{}"))])
        writer.write([Batch(events=_story(0, IN_THE_FILE - len(first)))])
        state = writer.reader.load_state()
        digests = {("mqtt", f"bayroll/v1/{n}"): "0" * 32 for n in range(50)}
        writer.write([], Notes(cursors={"mqtt": 700}, retained=dict(digests), snapshot=state))
        writer.connection.execute("PRAGMA wal_checkpoint(truncate)").fetchall()
        for day in range(IN_THE_LOG):
            writer.write([Batch(events=_story(2_000 + day, 1))], Notes(cursors={"mqtt": 900}))
        events = tuple(writer.reader.read(0, 10_000))
        _copy(path, folder / "killed")
    _copy(path, folder / "closed")
    state = fold(State(), ((one.seq, one.event) for one in events))
    return Built(folder / "closed", folder / "killed", events, state)


def _story(since: int, days: int) -> tuple[ev.Event, ...]:
    return tuple(_day(number) for number in range(since, since + days))


def _day(number: int) -> ev.Event:
    relay = RELAYS[number % len(RELAYS)]
    if number % 3 == 0:
        return seen(relay, number)
    at = T0 + timedelta(days=number)
    if number % 3 == 1:
        rose = ev.FlagRose(flag="storage_low", says="low", last_old_at=at, first_new_at=at)
        return ev.Event(at=at, subject=relay, body=rose)
    return ev.Event(at=at, subject=relay, body=ev.RelaySilent(last_answer_at=at, reason="no"))


def _copy(path: Path, into: Path) -> None:
    for one in path.parent.glob(f"{NAME}*"):
        if not one.name.endswith("-shm"):  # memory of the process that died
            shutil.copy(one, into)


# The damages.


def cut(least: float, most: float) -> Damage:
    """The file ends at a random place, given in parts of its length."""

    def do(path: Path, chance: random.Random) -> None:
        size = path.stat().st_size
        with path.open("r+b") as file:
            file.truncate(int(size * chance.uniform(least, most)))

    return do


def cut_one(path: Path, chance: random.Random) -> None:
    with path.open("r+b") as file:
        file.truncate(path.stat().st_size - chance.randint(1, PAGE))


def flip(first: float, last: float, count: int = 1) -> Damage:
    """Single bits between two places, given in parts of the length."""

    def do(path: Path, chance: random.Random) -> None:
        whole = bytearray(path.read_bytes())
        for _ in range(count):
            at = min(len(whole) - 1, int(len(whole) * chance.uniform(first, last)))
            whole[at] ^= 1 << chance.randrange(8)
        path.write_bytes(whole)

    return do


def header(path: Path, chance: random.Random) -> None:
    """A bit of the first hundred bytes, which SQLite reads before anything else."""
    whole = bytearray(path.read_bytes())
    whole[chance.randrange(100)] ^= 1 << chance.randrange(8)
    path.write_bytes(whole)


def page(fill: bytes | None) -> Damage:
    """One page becomes something else; None: the page of another place, as a lost write leaves."""

    def do(path: Path, chance: random.Random) -> None:
        whole = bytearray(path.read_bytes())
        pages = len(whole) // PAGE
        at = chance.randrange(1, pages) * PAGE
        other = chance.randrange(1, pages) * PAGE
        new = bytes(whole[other : other + PAGE]) if fill is None else fill * PAGE
        whole[at : at + PAGE] = new
        path.write_bytes(whole)

    return do


def sql(text: str) -> Damage:
    """What a person with a database tool does."""

    def do(path: Path, chance: random.Random) -> None:
        with apsw.Connection(str(path)) as connection:
            n = chance.randrange(2, IN_THE_FILE - 2)
            connection.execute(text.replace("{n}", str(n)))
        connection.close()

    return do


def in_log(damage: Damage) -> Damage:
    return lambda path, chance: damage(path.with_name(f"{path.name}-wal"), chance)


def whole_text(text: bytes) -> Damage:
    def do(path: Path, chance: random.Random) -> None:
        path.write_bytes(text)

    return do


def log_gone(path: Path, chance: random.Random) -> None:
    path.with_name(f"{path.name}-wal").unlink()


def file_gone(path: Path, chance: random.Random) -> None:
    path.unlink()


def another_under_the_log(path: Path, chance: random.Random) -> None:
    """A whole journal was moved over the damaged one, whose log still lies there."""
    with Writer.open(path.with_name("other")) as other:
        other.write([Batch(events=tuple(listed(relay) for relay in RELAYS))])
    path.with_name("other").replace(path)


def torn_line(path: Path, chance: random.Random) -> None:
    """The lock file, which also notes the head, is torn: then nothing was noted."""
    lock = path.with_name(f"{path.name}.lock")
    lock.write_bytes(lock.read_bytes()[: chance.randrange(30)])


REFUSED, WHOLE, EITHER = "refused", "whole", "refused or whole"

# damage: (which copy, how, what may come of it, how often)
TABLE: dict[str, tuple[str, Damage, str, int]] = {
    "cut anywhere": ("closed", cut(0.001, 0.999), REFUSED, 4),
    "cut by less than a page": ("closed", cut_one, REFUSED, 2),
    "cut in the first page": ("closed", cut(0.0001, 0.005), REFUSED, 2),
    "nothing left": ("closed", whole_text(b""), REFUSED, 1),
    "text": ("closed", whole_text(b"relays:\n" * 100), REFUSED, 1),
    "a bit of the header": ("closed", header, EITHER, 6),
    "a bit of the first half": ("closed", flip(0.01, 0.5), EITHER, 4),
    "a bit of the second half": ("closed", flip(0.5, 1.0), EITHER, 4),
    "many bits": ("closed", flip(0.01, 1.0, count=300), REFUSED, 2),
    "a page of zeros": ("closed", page(b"\0"), EITHER, 3),
    "a page of ones": ("closed", page(b"\xff"), EITHER, 2),
    "a page of another place": ("closed", page(None), EITHER, 3),
    "an event changed": (
        "closed",
        sql(
            "UPDATE event SET stored = CAST(replace(CAST(stored AS TEXT), 'at', 'ta') AS BLOB) "
            "WHERE seq = {n}"
        ),
        REFUSED,
        2,
    ),
    "a digit of an event changed": (
        "closed",
        sql(
            "UPDATE event SET stored = CAST(replace(CAST(stored AS TEXT), '2026', '2025') AS BLOB) "
            "WHERE seq = 7"
        ),
        REFUSED,
        1,
    ),
    "a column changed": (
        "closed",
        sql("UPDATE event SET subject = 'x' WHERE seq = {n}"),
        REFUSED,
        1,
    ),
    "an event deleted": ("closed", sql("DELETE FROM event WHERE seq = {n}"), REFUSED, 2),
    "the first event deleted": ("closed", sql("DELETE FROM event WHERE seq = 1"), REFUSED, 1),
    "the last events deleted": ("closed", sql("DELETE FROM event WHERE seq > 1040"), REFUSED, 1),
    "all events deleted": ("closed", sql("DELETE FROM event"), REFUSED, 1),
    "a table dropped": ("closed", sql("DROP TABLE cursor"), REFUSED, 1),
    "the events dropped": ("closed", sql("DROP TABLE event"), REFUSED, 1),
    "a snapshot changed": (
        "closed",
        sql(
            "UPDATE snapshot SET stored = CAST(replace(CAST(stored AS TEXT), 'low', 'lov') AS BLOB)"
        ),
        WHOLE,
        1,
    ),
    "a cursor past the end": ("closed", sql("UPDATE cursor SET seq = 9999"), REFUSED, 1),
    "the file gone": ("closed", file_gone, REFUSED, 1),
    "the file gone, its log left": ("killed", file_gone, REFUSED, 1),
    "killed": ("killed", lambda path, chance: None, WHOLE, 1),
    "the lock file torn": ("killed", torn_line, WHOLE, 1),
    "another file under the log": ("killed", another_under_the_log, REFUSED, 1),
    "the log gone": ("killed", log_gone, REFUSED, 1),
    "the log empty": ("killed", in_log(whole_text(b"")), REFUSED, 1),
    "the log cut": ("killed", in_log(cut(0.0, 0.99)), REFUSED, 3),
    "a bit of the log": ("killed", in_log(flip(0.0, 1.0)), EITHER, 3),
    "the file cut under its log": ("killed", cut(0.2, 0.9), REFUSED, 2),
}


def cases() -> list[tuple[str, int]]:
    """Each damage as often as the table says, with a seed."""
    return [(what, seed) for what, row in TABLE.items() for seed in range(row[3])]


# What comes of it.


def harmed(built: Built, path: Path, what: str, seed: int) -> None:
    """Puts a copy there, as path, and damages it."""
    which, damage, _, _ = TABLE[what]
    for one in (built.closed if which == "closed" else built.killed).iterdir():
        shutil.copy(one, path.parent / one.name.replace(NAME, path.name))
    damage(path, random.Random(f"{what} {seed}"))


def suffer(built: Built, folder: Path, what: str, seed: int) -> list[str]:
    """Damages a copy, starts it as a service does, and recovers it; says what went wrong."""
    allowed = TABLE[what][2]
    work = folder / f"{what.replace(' ', '-')}-{seed}"
    work.mkdir()
    path = work / NAME
    harmed(built, path, what, seed)
    before = _bytes(work)
    came, wrong = _start(path, built.events, built.state)
    if came not in allowed:
        wrong.append(f"{came}, and should be {allowed}")
    if came == REFUSED:
        if _bytes(work) != before:
            wrong.append("it was refused, and not left as it was")
        wrong += _recover(path, built.events)
        if _bytes(work) != before:
            wrong.append("it was recovered, and not left as it was")
    return [f"{what}, seed {seed}: {one}" for one in wrong]


def _bytes(folder: Path) -> dict[str, bytes]:
    """The journal and its log; the lock and shared memory are rebuilt by whoever looks."""
    return {
        name: (folder / name).read_bytes()
        for name in (NAME, f"{NAME}-wal")
        if (folder / name).exists() and (folder / name).stat().st_size
    }


def _start(
    path: Path, events: tuple[Recorded, ...], expected: State | None = None
) -> tuple[str, list[str]]:
    """As `bayroll run` opens it, an output asks it and the first event is written."""
    try:
        with Writer.open(path) as writer, Reader.open(path) as reader:
            state = reader.load_state()
            asked = (reader.cursor("mqtt"), reader.retained("mqtt"), reader.answer("c1"))
            started = ev.Event(at=T0, subject="", body=ev.ServiceStarted(version="1"))
            writer.write([Batch(events=(started,))])
            there = reader.read(0, 10_000)
            verified = reader.verify()
    except JournalUnusable as reason:
        return REFUSED, _clear(path, str(reason))
    wrong = []
    if there[:-1] != list(events):
        wrong.append(f"started with {len(there) - 1} of {len(events)} events, and said nothing")
    if not isinstance(verified, Verified):
        wrong.append(f"started on a broken chain: {verified}")
    if expected is not None and state != expected:
        wrong.append("the state is not that which the events lead to")
    if state.seq != len(there) - 1 or asked[0] > state.seq:
        wrong.append(f"the state is that after {state.seq}, the cursor {asked[0]}")
    return WHOLE, wrong


def _clear(path: Path, says: str) -> list[str]:
    good = str(path) in says and "mend: " in says
    return [] if good else [f"does not say what, where and how to mend it: {says}"]


def _recover(path: Path, events: tuple[Recorded, ...]) -> list[str]:
    """Into a new file: what verifies, and it starts. Where nothing can be had, no new file."""
    new = path.with_name("new.journal")
    try:
        saved = recover(path, new)
    except JournalUnusable as reason:
        left = [] if not new.exists() else ["nothing was recovered, and a new file was left"]
        return _clear(path, str(reason)) + left
    with Reader.open(new) as reader:
        there = reader.read(0, 10_000)
        verified = reader.verify()
    wrong = []
    if there != list(events[: saved.kept]) or len(there) != saved.kept:
        wrong.append(f"{len(there)} recovered of {saved.kept}, and not those that were there")
    if not isinstance(verified, Verified):
        wrong.append(f"recovered a broken chain: {verified}")
    if saved.kept < len(events) and saved.broken is None:
        wrong.append(f"recovered {saved.kept} of {len(events)}, and said nothing of the rest")
    came, more = _start(new, events[: saved.kept])
    if came != WHOLE:
        more.append("what was recovered does not start")
    with Reader.open(new) as reader:
        last = reader.read(saved.kept, 1)
    if last and last[0].id == chain.event_id(events[0].id.rsplit("-", 1)[0], last[0].seq):
        more.append("a new event has the id of a lost one")
    return wrong + more
