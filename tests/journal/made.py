"""Made-up events: a few by hand, and any number of every kind by Hypothesis."""

from __future__ import annotations

import dataclasses
import types
import typing
from datetime import UTC, datetime, timedelta
from enum import Enum
from pathlib import Path
from typing import Any

from hypothesis import strategies as st

from poller.journal import snapshot
from poller.journal.snapshot import Snapshot
from poller.model import events as ev
from poller.model.canonical import whole_ms
from poller.model.standing import State
from poller.state import ALARMS, BOOK, POLLER, STEPS, WORK

T0 = datetime(2026, 3, 1, 4, 5, 6, 789_000, tzinfo=UTC)
RELAYS = ("q07-main-1", "q07-main-2", "q08-main-1")


def listed(relay: str, day: int = 0) -> ev.Event:
    body = ev.RelayListed(bay="Q07", function="main 1", address="127.1.0.1:502/255")
    return ev.Event(at=T0 + timedelta(days=day), subject=relay, body=body)


def seen(relay: str, day: int) -> ev.Event:
    at = T0 + timedelta(days=day)
    body = ev.RelaySeen(day=at.date().isoformat(), reads_before=24)
    return ev.Event(at=at, subject=relay, body=body)


def story(days: int, relay: str = RELAYS[0]) -> list[ev.Event]:
    """One event a day from T0 on; the first lists the relay."""
    return [listed(relay), *(seen(relay, day) for day in range(1, days))]


def snapshot_row(state: State, hash_then: str) -> tuple[int, bytes]:
    return state.seq, snapshot.to_bytes(Snapshot(hash=hash_then, state=state))


def files(folder: Path) -> set[str]:
    return {one.name for one in folder.iterdir()}


TEXT = st.text(max_size=12)  # with control characters, quotes, and characters beyond 16 bits
MOMENTS = st.datetimes(
    min_value=datetime(1, 1, 2),  # noqa: DTZ001 - Hypothesis wants it so
    max_value=datetime(9999, 12, 30),  # noqa: DTZ001
    timezones=st.just(UTC),
).map(whole_ms)


# few, so that events are about the same
NAMED = {
    "alarm": st.sampled_from(("q07-main-1.silent", "q07-main-1.flag.firmware_changed")),
    "investigation": st.sampled_from(("i1", "i2")),
    "work": st.sampled_from(("w1", "w2")),
    "serNum": st.sampled_from(("S1", "S2")),
}


def of(hint: Any) -> st.SearchStrategy[Any]:
    """Values of an annotation as the event kinds use them."""
    origin, inside = typing.get_origin(hint), typing.get_args(hint)
    if origin is typing.Annotated:
        return of(inside[0])
    if origin in (typing.Union, types.UnionType):
        return st.one_of([of(one) for one in inside])
    if origin is tuple:
        return st.lists(of(inside[0]), max_size=2).map(tuple)
    if origin is dict:
        return st.dictionaries(of(inside[0]), of(inside[1]), max_size=2)
    if hint is datetime:
        return MOMENTS
    if hint is str:
        return TEXT
    if hint is type(None):
        return st.none()
    if isinstance(hint, type) and issubclass(hint, Enum):
        return st.sampled_from(hint)
    if hint is bool:
        return st.booleans()
    if hint is int:
        return st.integers(min_value=-(2**63), max_value=2**63)
    assert isinstance(hint, type), hint
    assert dataclasses.is_dataclass(hint), hint
    hints = typing.get_type_hints(hint, include_extras=True)
    fields = {
        one.name: NAMED.get(one.name, of(hints[one.name])) for one in dataclasses.fields(hint)
    }
    return st.builds(hint, **fields)


BODIES = {kind: of(body) for (kind, _), body in ev.KINDS.items()}


def event(kind: str) -> st.SearchStrategy[ev.Event]:
    """Of one kind, about one of RELAYS where the kind is about relays."""
    about_relay = kind in {*STEPS, *WORK, *BOOK, *ALARMS}
    assert about_relay or kind in POLLER, kind
    return st.builds(
        ev.Event,
        at=MOMENTS,
        subject=st.sampled_from(RELAYS) if about_relay else st.just(""),
        body=BODIES[kind],
        cause=st.none() | TEXT,
        by=st.none() | TEXT,
    )


# pruned changes where a journal begins, so that none can be made up
ANY_EVENT = st.sampled_from(sorted(BODIES.keys() - {"pruned"})).flatmap(event)


def histories(most: int = 30) -> st.SearchStrategy[list[ev.Event]]:
    """Every relay is listed first, as decide sees to it."""
    return st.lists(ANY_EVENT, max_size=most).map(
        lambda events: [*(listed(relay) for relay in RELAYS), *events]
    )
