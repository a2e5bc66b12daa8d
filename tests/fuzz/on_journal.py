"""What stands in a journal: one stored event, a snapshot, and the file with octets changed."""

from __future__ import annotations

import io
import tempfile
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from functools import cache
from pathlib import Path
from typing import Final

from poller.journal import envelope, snapshot
from poller.journal.chain import Broken
from poller.journal.envelope import UnknownKind, Unreadable
from poller.journal.export import export, recover
from poller.journal.file import JournalUnusable
from poller.journal.notes import Notes
from poller.journal.reader import Reader
from poller.journal.snapshot import Snapshot
from poller.journal.store import Batch, Writer
from poller.model.canonical import plain
from poller.model.events import Recorded
from poller.state import State, fold
from tests.fuzz.octets import Octets
from tests.journal.made import story

EVENTS: Final = 40
SAID_MAX: Final = 1_000


@cache
def made() -> tuple[bytes, State, tuple[bytes, ...]]:
    """A journal's file, the state that it leads to, and its events as stored."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.journal"
        with Writer.open(path) as writer:
            events = story(EVENTS)
            writer.write([Batch(events=tuple(events[:20]), command=("c1", "{}"))])
            state = writer.reader.load_state()
            writer.write([], Notes(cursors={"mqtt": 9}, retained={("m", "t"): "d"}, snapshot=state))
            writer.write([Batch(events=tuple(events[20:]))])
            stored = tuple(one.stored for one in writer.reader.read(0))
            state = writer.reader.load_state()
        return path.read_bytes(), state, stored


def stored_event(data: bytes) -> None:
    """An event as it may stand in a file: read, or said to be unreadable."""
    try:
        found = envelope.read(data, "00" * 32)
    except (Unreadable, UnknownKind) as reason:
        says = str(reason)
    else:
        _as_live(found)
        return
    assert len(says) <= SAID_MAX + len(data)


def _as_live(found: Recorded) -> None:
    plain(found.event.body)
    assert found.event.at + timedelta(0) == found.event.at
    if found.event.body.kind != "pruned":
        listed = replace(story(1)[0], subject=found.event.subject)
        fold(State(), [(1, listed), (2, found.event)])


def stored_snapshot(data: bytes) -> None:
    try:
        found = snapshot.from_bytes(data)
    except (Unreadable, snapshot.OtherFold):
        return
    assert snapshot.from_bytes(snapshot.to_bytes(found)) == found


def journal_file(data: bytes) -> None:
    """Octets of a journal changed: it is told or saved, and what is read are the true events."""
    given = Octets(data)
    whole, state, events = made()
    octets = bytearray(whole)
    for _ in range(1 + given.number(3)):
        at = int.from_bytes(given.exactly(3)) % len(octets)
        piece = given.some(1 + given.number(15))
        octets[at : at + len(piece)] = piece
    if given.number(7) == 7:
        del octets[int.from_bytes(given.exactly(3)) % len(octets) :]
    with tempfile.TemporaryDirectory() as folder:
        path, new = Path(folder) / "a.journal", Path(folder) / "new.journal"
        path.write_bytes(octets)
        _read(path, state)
        try:
            saved = recover(path, new)
        except JournalUnusable:
            return
        with Reader.open(new) as reader:
            assert not isinstance(reader.verify(), Broken)
            assert [one.stored for one in reader.read(0)] == list(events[: saved.kept])


def _read(path: Path, state: State) -> None:
    try:
        with Reader.open(path, torn=True) as reader:
            verdict = reader.verify()
            assert isinstance(verdict, Broken) or verdict.count <= EVENTS
    except JournalUnusable:
        pass
    for work in (_state, _exported):
        try:
            with Reader.open(path) as reader:
                work(reader)
        except JournalUnusable:
            continue
    assert state.seq == EVENTS


def _state(reader: Reader) -> None:
    reader.load_state()


def _exported(reader: Reader) -> None:
    export(reader, io.StringIO())


def snapshot_of(state: State) -> bytes:
    return snapshot.to_bytes(Snapshot(hash="00" * 32, state=state))


TARGETS: Final[dict[str, Callable[[bytes], None]]] = {
    "stored_event": stored_event,
    "stored_snapshot": stored_snapshot,
    "journal_file": journal_file,
}
