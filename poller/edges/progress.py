"""Whether the service still does what it owes: relays that are due are asked, events written.

A program that runs is no proof: a task that waits for ever looks like one that has nothing to do.
Whoever owes something has to take turns. A turn counts however it ended: a relay that is silent, or
a disk that is full, is told elsewhere and mended by no restart.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """owes: something is to be done now. turns: how often it did anything, however it ended.

    patience_s: longer than any turn takes that is in order.
    """

    name: str
    owes: bool
    turns: int
    patience_s: float


@dataclass(slots=True)
class Progress:
    """Looked at every few seconds; remembers since when each part owes without a turn."""

    _since: dict[str, tuple[int, float]] = field(default_factory=dict)

    def stuck(self, mono: float, parts: Iterable[Part]) -> str | None:
        """The part that is over its patience furthest, in words; None: all goes on."""
        since: dict[str, tuple[int, float]] = {}
        over: list[tuple[float, str]] = []
        for part in parts:
            if not part.owes:
                continue
            turns, began = self._since.get(part.name, (part.turns, mono))
            began = began if turns == part.turns else mono
            since[part.name] = part.turns, began
            waits = mono - began
            if waits > part.patience_s:
                says = f"{part.name}: nothing was done for {waits:.0f} s, though something is due"
                over.append((waits - part.patience_s, says))
        self._since = since
        return max(over)[1] if over else None
