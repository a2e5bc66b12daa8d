"""What the poller knows of itself and its computer, for its own alarms."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final, TypeAlias

from poller.edges.machine import Machine
from poller.model import limits
from poller.model.alarms import Cause, Own

Fact: TypeAlias = tuple[Cause, str, bool, str]
"""(cause, detail, whether it is so, what there is to say)."""

MB: Final = 1_000_000


def of_the_machine(machine: Machine) -> Iterator[Fact]:
    """What is not known is not told."""
    if machine.disk_free is not None:
        low = machine.disk_free < limits.DISK_FREE_MIN
        # in whole 10 MB: a number that moves all the time tells nothing new
        free = machine.disk_free // (10 * MB) * 10
        yield Cause.DISK_LOW, "", low, f"less than {free + 10} MB are free beside the journal"
    if machine.clock_kept is not None:
        says = "no time service keeps the clock of the poller's computer"
        yield Cause.CLOCK_WRONG, "", not machine.clock_kept, says


@dataclass(slots=True)
class OwnFacts:
    """Remembers since when each fact is as it is."""

    _known: dict[tuple[Cause, str], Own] = field(default_factory=dict)

    def at(self, now: datetime, facts: Iterable[Fact]) -> tuple[Own, ...]:
        """One value each; equal to the one before where nothing changed."""
        found: dict[tuple[Cause, str], Own] = {}
        for cause, detail, holds, says in facts:
            before = self._known.get((cause, detail))
            since = before.since if before is not None and before.holds == holds else now
            own = Own(cause=cause, detail=detail, holds=holds, since=since, says=says)
            found[cause, detail] = own
        self._known = found
        return tuple(found.values())
