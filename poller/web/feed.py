"""What moved since an event, for pages that stay open: which relays, alarms and work, no more.

A stream keeps a number and nothing else, so that a slow reader costs no memory: it is told at once
what moved since then, or that everything may have.
"""

from __future__ import annotations

import asyncio
import json
from collections import deque
from collections.abc import AsyncGenerator, Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Final

from poller.model import limits
from poller.model.events import Recorded
from poller.model.standing import State
from poller.model.status import StatusReading

NAMED_MAX: Final = 200  # of one sort, told one by one; past it the page asks for all
# also what is about makers, families and packages, and so about relays that it does not name
EVERYTHING: Final = frozenset(
    {
        "site_loaded",
        "relay_listed",
        "relay_delisted",
        "clock_stepped",
        "bulletin_added",
        "bulletin_closed",
        "evaluation_entered",
        "package_checked",
    }
)
SORTS: Final = ("relays", "alarms", "work", "investigations")
OF_BODY: Final = {"alarm": "alarms", "work": "work", "investigation": "investigations"}

Readings = Mapping[str, tuple[int, str]]


@dataclass(frozen=True, slots=True)
class _Step:
    seq: int
    moved: dict[str, frozenset[str]]
    everything: bool


class Full(Exception):
    """As many pages are open as can be served."""


@dataclass(slots=True)
class Feed:
    """live: the last reading of each relay; now: UTC; monotonic: seconds."""

    live: Callable[[], Mapping[str, StatusReading]]
    now: Callable[[], datetime]
    monotonic: Callable[[], float]
    seq: int = 0
    streams: int = 0
    _steps: deque[_Step] = field(default_factory=lambda: deque(maxlen=limits.PAGE_MOVED_KEPT))
    _known_from: int = 0  # every event after this one is among the steps
    _moved: asyncio.Event = field(default_factory=asyncio.Event)
    _closed: bool = False
    _readings: Readings = field(default_factory=dict)
    _looked_at: int = 0
    _read_at: float = float("-inf")

    def begin(self, seq: int) -> None:
        """What came before is not told of: the page that asks for it is to look anew."""
        self.seq = self._known_from = seq

    def open(self) -> None:
        self._closed = False

    def close(self) -> None:
        """Every stream ends."""
        self._closed = True
        self._wake()

    def tell(self, events: Sequence[Recorded], state: State) -> None:
        for recorded in events:
            if recorded.seq <= self.seq:
                continue
            if len(self._steps) == self._steps.maxlen:
                self._known_from = self._steps[0].seq
            self._steps.append(_step(recorded, state))
            self.seq = recorded.seq
        if events:
            self._wake()

    def since(self, seq: int) -> dict[str, Any] | None:
        """What moved after it; None: nothing. all: more than is worth telling one by one."""
        if seq == self.seq:
            return None
        told: dict[str, Any] = {"seq": self.seq, "all": seq < self._known_from or seq > self.seq}
        if told["all"]:
            return told
        steps = [step for step in self._steps if step.seq > seq]
        for sort in SORTS:
            told[sort] = sorted(set().union(*(step.moved.get(sort, ()) for step in steps)))
        many = any(len(told[sort]) > NAMED_MAX for sort in SORTS)
        if many or any(step.everything for step in steps):
            return {"seq": self.seq, "all": True}
        return told

    async def stream(
        self, after: int | None, welcome: Callable[[], bool]
    ) -> AsyncGenerator[bytes, None]:
        """Server-sent events from there on (None: from now), by the HTML standard, 9.2.

        welcome: whether who listens may still do so; asked at every turn. Raises Full.
        """
        if self.streams >= limits.PAGE_STREAMS_MAX:
            raise Full
        self.streams += 1
        try:
            at = self.seq if after is None else after
            shown: Readings = {}
            yield b"retry: 2000\n\n" + _message("hello", {"seq": at}, at)
            while not self._closed:
                moved = self._moved
                if not welcome():
                    yield _message("ended", {})
                    return
                told = self.since(at)
                if told is not None:
                    at = self.seq
                    yield _message("moved", told, at)
                    await asyncio.sleep(limits.PAGE_CALM_S)
                now = self._readings_now()
                fresh = {name: one for name, one in now.items() if shown.get(name) != one}
                shown = now
                if fresh:
                    yield _message("read", {"now": self._looked_at, "relays": fresh})
                elif told is None:
                    yield b": still here\n\n"
                await _either(moved, limits.PAGE_READ_S)
        finally:
            self.streams -= 1

    def _readings_now(self) -> Readings:
        """When each relay was last read and how good that is; looked at once for all streams."""
        if self.monotonic() - self._read_at >= limits.PAGE_READ_S:
            self._read_at = self.monotonic()
            self._looked_at = int(self.now().timestamp())
            self._readings = {
                name: (int(one.at.timestamp()), one.quality.value)
                for name, one in self.live().items()
            }
        return self._readings

    def _wake(self) -> None:
        moved, self._moved = self._moved, asyncio.Event()
        moved.set()


def _step(recorded: Recorded, state: State) -> _Step:
    event = recorded.event
    moved: dict[str, frozenset[str]] = {}
    if event.subject in state.relays:
        moved["relays"] = frozenset({event.subject})
    for name, sort in OF_BODY.items():
        named = getattr(event.body, name, None)
        if isinstance(named, str):
            moved[sort] = frozenset({named})
    return _Step(recorded.seq, moved, event.body.kind in EVERYTHING)


def _message(kind: str, told: object, seq: int | None = None) -> bytes:
    number = "" if seq is None else f"id: {seq}\n"
    return f"{number}event: {kind}\ndata: {json.dumps(told, separators=(',', ':'))}\n\n".encode()


async def _either(moved: asyncio.Event, most_s: float) -> None:
    try:
        async with asyncio.timeout(most_s):
            await moved.wait()
    except TimeoutError:
        pass
