"""How many relays ran which firmware, and when: a fold over the events that say so.

It keeps turns, moments at which a number changed, and no event; so many of each rule, then the
oldest go.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final

from poller.answers.versions import Key, Version
from poller.model import limits
from poller.model.events import Event, FirmwareStatusChanged, RelayDelisted, RelayListed
from poller.model.standing import State

KINDS: Final = (RelayListed.kind, RelayDelisted.kind, FirmwareStatusChanged.kind)


@dataclass(frozen=True, slots=True)
class Turn:
    """counts: relays on each version from this moment on; none of them is 0."""

    at: datetime
    counts: Mapping[Version, int]


@dataclass(slots=True)
class Spread:
    """Spread.of(state) is what stood before the first event; take() follows from there."""

    turns: dict[Key, deque[Turn]] = field(default_factory=dict)
    _runs: dict[str, dict[str, tuple[Key, Version]]] = field(default_factory=dict)
    _listed: set[str] = field(default_factory=set)
    _counts: dict[Key, Counter[Version]] = field(default_factory=dict)

    @classmethod
    def of(cls, state: State, at: datetime) -> Spread:
        made = cls()
        for name, relay in state.relays.items():
            made._runs[name] = {
                attribute: ((one.rule, attribute), one.version)
                for attribute, one in relay.firmware.items()
            }
            if relay.listed:
                made._list(name, at)
        return made

    def take(self, event: Event) -> None:
        body, name = event.body, event.subject
        if isinstance(body, RelayListed):
            if name not in self._listed:
                self._list(name, event.at)
        elif isinstance(body, RelayDelisted):
            if name in self._listed:
                self._listed.remove(name)
                for key, version in self._runs.get(name, {}).values():
                    self._count(key, version, -1, event.at)
        elif isinstance(body, FirmwareStatusChanged):
            before = self._runs.setdefault(name, {}).get(body.attribute)
            now = (body.rule, body.attribute), body.version
            self._runs[name][body.attribute] = now
            if name in self._listed and before != now:
                if before is not None:
                    self._count(*before, -1, event.at)
                self._count(*now, 1, event.at)

    def _list(self, name: str, at: datetime) -> None:
        self._listed.add(name)
        for key, version in self._runs.get(name, {}).values():
            self._count(key, version, 1, at)

    def _count(self, key: Key, version: Version, step: int, at: datetime) -> None:
        counts = self._counts.setdefault(key, Counter())
        counts[version] += step
        turns = self.turns.setdefault(key, deque(maxlen=limits.SPREAD_TURNS_MAX))
        if turns and turns[-1].at == at:
            turns.pop()  # of one commit only what came of it
        turns.append(Turn(at, {one: count for one, count in counts.items() if count}))
