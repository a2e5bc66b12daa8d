"""Snapshot and tail equal the full fold; what does not fit is passed over."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import apsw
import pytest
from hypothesis import given
from hypothesis import strategies as st

from poller.journal import chain, snapshot
from poller.journal.chain import Row
from poller.journal.envelope import Unreadable
from poller.journal.file import JournalUnusable
from poller.journal.notes import Notes
from poller.journal.snapshot import OtherFold, Snapshot
from poller.journal.store import Batch, Reader, Writer
from poller.model import events as ev
from poller.model.canonical import encode
from poller.model.standing import State
from poller.state import ALARMS, BOOK, FOLD_VERSION, POLLER, STEPS, WORK, fold
from tests.journal.made import histories, story


def numbered(events: list[ev.Event]) -> list[tuple[int, ev.Event]]:
    return list(enumerate(events, start=1))


def test_every_kind_has_a_step_in_the_fold() -> None:
    steps = [*STEPS, *POLLER, *WORK, *BOOK, *ALARMS]
    assert sorted(steps) == sorted(kind for kind, _ in ev.KINDS)


@given(histories(), st.integers(0, 30))
def test_a_snapshot_at_any_point_and_the_tail_are_the_full_fold(
    events: list[ev.Event], cut: int
) -> None:
    whole = fold(State(), numbered(events))
    half = fold(State(), numbered(events)[:cut])
    kept = snapshot.from_bytes(snapshot.to_bytes(Snapshot(hash="00", state=half)))
    assert fold(kept.state, numbered(events)[cut:]) == whole


@given(histories())
def test_a_state_is_read_back_exactly(events: list[ev.Event]) -> None:
    state = fold(State(), numbered(events))
    back = snapshot.from_bytes(snapshot.to_bytes(Snapshot(hash="00", state=state))).state
    assert back == state
    assert snapshot.to_bytes(Snapshot(hash="00", state=back)) == snapshot.to_bytes(
        Snapshot(hash="00", state=state)
    )


@given(histories())
def test_a_state_folded_from_what_is_stored_is_the_one_folded_live(events: list[ev.Event]) -> None:
    recorded = chain.record("j", chain.START, events)
    assert fold(State(), ((one.seq, one.event) for one in recorded)) == fold(
        State(), numbered(events)
    )


@given(histories())
def test_folding_leaves_the_state_before_alone(events: list[ev.Event]) -> None:
    before = fold(State(), numbered(events))
    bytes_before = snapshot.to_bytes(Snapshot(hash="00", state=before))
    fold(before, [(len(events) + n, one) for n, one in enumerate(events, start=1)])
    assert snapshot.to_bytes(Snapshot(hash="00", state=before)) == bytes_before


# What does not fit.

NEW_IN_3 = {"boot", "clock_since"}

WHOLE: dict[str, Any] = json.loads(
    snapshot.to_bytes(Snapshot(hash="00", state=fold(State(), numbered(story(2)))))
)
UNUSABLE: dict[str, tuple[dict[str, Any], type[Exception]]] = {
    "another fold": ({"fold": FOLD_VERSION + 1}, OtherFold),
    "another seq": ({"seq": 3}, Unreadable),
    "another key": ({"colour": "red"}, Unreadable),
    "a state with another key": ({"state": WHOLE["state"] | {"colour": "red"}}, Unreadable),
    "no state": ({"state": None}, Unreadable),
}


@pytest.mark.parametrize("what", UNUSABLE)
def test_an_unusable_snapshot_is_told(what: str) -> None:
    change, reason = UNUSABLE[what]
    with pytest.raises(reason):
        snapshot.from_bytes(summed(WHOLE | change))


def summed(kept: dict[str, Any]) -> bytes:
    """With the sum that belongs to it, so that it fails for what was changed."""
    bare = {name: value for name, value in kept.items() if name != "sum"}
    return encode(bare | {"sum": hashlib.sha256(encode(bare)).hexdigest()})


def test_a_changed_digit_is_told() -> None:
    with pytest.raises(Unreadable, match="its sum"):
        snapshot.from_bytes(encode(WHOLE | {"hash": "01"}))


def test_bytes_that_are_no_json_are_told() -> None:
    with pytest.raises(Unreadable):
        snapshot.from_bytes(b"\xff{")


def false_state() -> State:
    """One that no event led to: if it shows up, the snapshot was used."""
    return State(seq=3, site="false")


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Six events, and a snapshot after the third whose state is recognisably false."""
    made = tmp_path / "a.journal"
    with Writer.open(made) as writer:
        writer.write([Batch(events=tuple(story(3)))], Notes(snapshot=false_state()))
        writer.write([Batch(events=tuple(story(3)))])
    return made


def changed(path: Path, **change: Any) -> None:
    with apsw.Connection(str(path)) as connection:
        rows: Any = connection.execute("SELECT stored FROM snapshot").fetchall()
        ((stored,),) = rows
        connection.execute("UPDATE snapshot SET stored = ?", (encode(json.loads(stored) | change),))


def test_a_usable_snapshot_is_used(path: Path) -> None:
    state = Reader.open(path).load_state()
    assert (state.site, state.seq) == ("false", 6)


NOT_USED: dict[str, dict[str, Any]] = {
    "another fold version": {"fold": FOLD_VERSION - 1},
    "another chain": {"hash": "ab" * 32},
    "not readable": {"state": []},
}


@pytest.mark.parametrize("what", NOT_USED)
def test_everything_is_replayed_where_the_snapshot_is_of(path: Path, what: str) -> None:
    changed(path, **NOT_USED[what])
    state = Reader.open(path).load_state()
    assert (state.site, state.seq) == (None, 6)


def test_a_snapshot_of_events_that_were_cut_off_is_not_used(path: Path) -> None:
    with apsw.Connection(str(path)) as connection:
        connection.execute("DELETE FROM event WHERE seq >= 3")
    state = Reader.open(path).load_state()
    assert (state.site, state.seq) == (None, 2)


def test_no_snapshot_is_kept_of_what_is_not_durable(tmp_path: Path) -> None:
    with Writer.open(tmp_path / "a.journal") as writer:
        writer.write([Batch(events=tuple(story(2)))], Notes(snapshot=false_state()))
        assert list(writer.reader.snapshots()) == []


# A base state of another fold can only be lifted.


class PrunedSource:
    """A journal that begins after event 3, and the state kept for what was before."""

    def __init__(self, base: bytes) -> None:
        self._base = base

    def snapshots(self) -> list[bytes]:
        return []

    def hash_at(self, seq: int) -> str | None:
        return None

    def read(self, after: int, limit: int = 500) -> list[ev.Recorded]:
        return []

    def pruned(self) -> ev.Pruned:
        return ev.Pruned(
            first_seq=1, last_seq=2, counts={}, last_hash="00", base=self._base.decode()
        )


def test_a_base_state_of_an_older_fold_is_lifted(monkeypatch: pytest.MonkeyPatch) -> None:
    older = WHOLE["state"] | {"place": "lifted"}
    del older["site"]

    def lift(state: dict[str, Any]) -> dict[str, Any]:
        return {"site" if key == "place" else key: value for key, value in state.items()}

    monkeypatch.setitem(snapshot.STATE_LIFTS, FOLD_VERSION - 1, lift)
    source = PrunedSource(summed(WHOLE | {"fold": FOLD_VERSION - 1, "state": older}))
    assert snapshot.load_state(source).site == "lifted"


def test_every_fold_since_the_second_has_its_lift() -> None:
    assert snapshot.STATE_LIFTS.keys() == set(range(2, FOLD_VERSION))


@pytest.mark.parametrize(
    ("started", "noted", "before"),
    [
        (None, ["01"], 0),
        ("02", [], 0),
        ("02", ["01", "03"], 1),
        ("02", ["02"], 0),
        ("04", ["01", "03"], 2),
    ],
)
def test_of_fold_3_notes_are_told_apart_by_their_times(
    started: str | None, noted: list[str], before: int
) -> None:
    work = {
        "started_at": started and f"2026-03-01T{started}:00:00.000Z",
        "notes": [{"at": f"2026-03-01T{hour}:00:00.000Z"} for hour in noted],
    }
    lifted = snapshot.STATE_LIFTS[3]({"works": {"w1": work}})
    assert lifted["works"]["w1"]["notes_before"] == before


def test_a_base_state_of_fold_2_is_read() -> None:
    older = {name: kept for name, kept in WHOLE["state"].items() if name not in NEW_IN_3}
    source = PrunedSource(summed(WHOLE | {"fold": 2, "state": older}))
    state = snapshot.load_state(source)
    assert (state.seq, state.boot, state.clock_since) == (WHOLE["seq"], None, None)


def test_a_base_state_without_a_sum_is_read_and_a_snapshot_is_not() -> None:
    kept = encode({name: value for name, value in WHOLE.items() if name != "sum"})
    assert snapshot.load_state(PrunedSource(kept)).seq == WHOLE["seq"]
    with pytest.raises(Unreadable):
        snapshot.from_bytes(kept)


def test_a_base_state_of_a_newer_fold_is_refused() -> None:
    source = PrunedSource(encode(WHOLE | {"fold": FOLD_VERSION + 1}))
    with pytest.raises(OtherFold):
        snapshot.load_state(source)


def test_the_message_for_a_base_state_of_a_newer_fold(path: Path) -> None:
    body = ev.Pruned(
        first_seq=1,
        last_seq=2,
        counts={},
        last_hash="00" * 32,
        base=encode(WHOLE | {"fold": FOLD_VERSION + 1}).decode(),
    )
    with Writer.open(path) as writer:
        changed(path, hash="ab" * 32)
        writer.write([Batch(events=(ev.Event(at=story(1)[0].at, subject="", body=body),))])
    with pytest.raises(JournalUnusable, match=f"fold version {FOLD_VERSION + 1}") as reason:
        Reader.open(path).load_state()
    assert reason.value.problem.code == "journal-newer"


def test_rows_are_as_recorded(path: Path) -> None:
    reader = Reader.open(path)
    rows: list[Row] = list(reader.rows())
    assert rows == [chain.row(one) for one in reader.read(0)]
