"""State to bytes and back, and the state of a journal: the newest usable snapshot and the tail.

A snapshot is a shortcut, never the truth: one that does not fit this fold and this chain is passed
over. Only where older events were pruned is the base state all there is.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from hashlib import sha256
from typing import Any, Final, Protocol, TypeAlias

from pydantic import ConfigDict, TypeAdapter

from poller.journal.envelope import Unreadable
from poller.model import limits
from poller.model.canonical import encode as canonical
from poller.model.canonical import plain
from poller.model.events import Pruned, Recorded
from poller.model.standing import State
from poller.state import FOLD_VERSION, fold

StateLift: TypeAlias = Callable[[dict[str, Any]], dict[str, Any]]


def _with_notes_before(state: dict[str, Any]) -> dict[str, Any]:
    """Fold 3 told by its time whether a note was of the last try; all are in one spelling."""
    works = {}
    for name, work in state["works"].items():
        begun = work["started_at"] or ""
        before = sum(note["at"] < begun for note in work["notes"])
        works[name] = {**work, "notes_before": before}
    return {**state, "works": works}


STATE_LIFTS: Final[dict[int, StateLift]] = {
    2: lambda state: state,  # on which start of the computer it was told is not known
    3: _with_notes_before,
}
"""Fold version to the pure function that turns its state, as JSON types, into that of the next.

Only for base states of pruned journals, which can't be replayed; snapshots are simply not used.
"""

KEYS: Final = frozenset({"seq", "hash", "fold", "state", "sum"})
_STATE: Final = TypeAdapter(tuple[State], config=ConfigDict(extra="forbid"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Snapshot:
    """hash: of the event state.seq, so that it is known to belong to this chain."""

    hash: str
    state: State


class OtherFold(Exception):
    """Made by another version of the fold."""


class Source(Protocol):
    """A journal to read a state from."""

    def snapshots(self) -> Iterable[bytes]:
        """Newest first."""

    def hash_at(self, seq: int) -> str | None:
        """The chain's hash there, also at the seq after which it starts; None: no such event."""

    def pruned(self) -> Pruned | None:
        """The newest event of its kind."""

    def read(self, after: int, limit: int = 500) -> list[Recorded]: ...


def to_bytes(snapshot: Snapshot) -> bytes:
    """Canonical JSON {seq, hash, fold, state, sum}; sum: SHA-256 of the same without it, in hex.

    The chain does not cover a snapshot; without the sum a changed bit in one would be believed.
    """
    bare = {
        "seq": snapshot.state.seq,
        "hash": snapshot.hash,
        "fold": FOLD_VERSION,
        "state": plain(snapshot.state),
    }
    return canonical(bare | {"sum": sha256(canonical(bare)).hexdigest()})


def from_bytes(stored: bytes | str, *, lift: bool = False) -> Snapshot:
    """Raises Unreadable, or OtherFold. lift: take older folds for which there is a lift."""
    try:
        kept = json.loads(stored)
        if not isinstance(kept, dict) or kept.keys() | ({"sum"} if lift else set()) != KEYS:
            raise Unreadable("not the keys of a snapshot")
        # a base state stands in an event, whose hash covers it: the first of them had no sum
        told = kept.pop("sum", None)
        now = told and sha256(canonical(kept)).hexdigest()
        version, state = kept["fold"], kept["state"]
        while lift and version in STATE_LIFTS:
            state = STATE_LIFTS[version](state)
            version += 1
        if version != FOLD_VERSION:
            raise OtherFold(f"fold version {version}, not {FOLD_VERSION}")
        if told != now:
            raise Unreadable("it was changed: its sum is another one")
        snapshot = Snapshot(hash=kept["hash"], state=_STATE.validate_python((state,))[0])
    except (ValueError, TypeError, RecursionError) as reason:  # pydantic's are ValueErrors too
        raise Unreadable(str(reason)) from reason
    if snapshot.state.seq != kept["seq"]:
        raise Unreadable("the snapshot's seq is not its state's")
    return snapshot


def base(source: Source) -> State:
    """Where replay begins: nothing, or what was pruned, folded. Raises Unreadable or OtherFold."""
    pruned = source.pruned()
    return State() if pruned is None else from_bytes(pruned.base, lift=True).state


def load_state(source: Source, until: int | None = None) -> State:
    """The state after the event until, else after the last one."""
    for state in _usable(source):
        if until is None or state.seq <= until:
            return _replay(source, state, until)
    return _replay(source, base(source), until)


def newest(source: Source) -> int:
    """The seq of the newest usable snapshot; 0: there is none."""
    return next((state.seq for state in _usable(source)), 0)


def _usable(source: Source) -> Iterator[State]:
    for stored in source.snapshots():
        try:
            kept = from_bytes(stored)
        except (Unreadable, OtherFold):
            continue
        if source.hash_at(kept.state.seq) == kept.hash:
            yield kept.state


def _replay(source: Source, state: State, until: int | None) -> State:
    while until is None or state.seq < until:
        events = source.read(state.seq, limits.COMMIT_BATCH_MAX)
        if until is not None:
            events = [one for one in events if one.seq <= until]
        if not events:
            break
        state = fold(state, ((one.seq, one.event) for one in events))
    return state
