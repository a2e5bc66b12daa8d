"""Single points of alarms: where each stands, and what it says now.

A point is 1 while its alarm stands in the operator's list and its condition is there. It is not
topical while its relay is not read.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import TypeAlias

from poller.alarms.point_values import told
from poller.alarms.points import ALARMS_A_BLOCK, alarm_number, owner_of, owners
from poller.model.standing import Points, State
from poller.model.work import AT_WORK
from poller.publishing.iec104.frames import NOT_TOPICAL, ON, SEQUENCE_MAX
from poller.site.settings import Site

Standing: TypeAlias = dict[int, set[str]]
"""Numbers of points that are 1, with the alarms for which they are: one may be of several."""


@dataclass(frozen=True)
class Numbers:
    """Those of the owners that a site has now."""

    points: Points
    site: Site

    @cached_property
    def by_owner(self) -> Mapping[str, tuple[int, ...]]:
        found = {
            owner: tuple(alarm_number(self.points, owner, entry.id) for entry in entries)
            for owner, entries in owners(self.site).items()
        }
        return {
            owner: tuple(sorted(one for one in numbers if one is not None))
            for owner, numbers in found.items()
        }

    @cached_property
    def owner_of_block(self) -> Mapping[int, str]:
        blocks = self.points.blocks.items()
        return {block: owner for owner, some in blocks for block in some}

    @cached_property
    def runs(self) -> tuple[range, ...]:
        """All, as sequences without holes, each short enough for an ASDU."""
        out: list[range] = []
        for number in sorted(one for some in self.by_owner.values() for one in some):
            if out and out[-1].stop == number and len(out[-1]) < SEQUENCE_MAX:
                out[-1] = range(out[-1].start, number + 1)
            else:
                out.append(range(number, number + 1))
        return tuple(out)

    def owner(self, number: int) -> str:
        return self.owner_of_block.get(number // ALARMS_A_BLOCK, "")


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """How all points stand at one moment. not_read: relays."""

    standing: Standing
    not_read: frozenset[str]

    def point(self, number: int, owner: str) -> int:
        """Value and quality."""
        return (ON if self.standing.get(number) else 0) | (
            NOT_TOPICAL if owner in self.not_read else 0
        )


def picture(state: State) -> Picture:
    standing: Standing = {}
    for alarm in state.alarms.values():
        if told(alarm) and alarm.active:
            number = alarm_number(state.points, owner_of(alarm), alarm.entry)
            if number is not None:
                standing.setdefault(number, set()).add(alarm.id)
    worked_on = {work.plan.relay for work in state.works.values() if work.state in AT_WORK}
    not_read = frozenset(
        name
        for name, relay in state.relays.items()
        if relay.listed and (relay.paused or name in worked_on or not relay.answering)
    )
    return Picture(standing=standing, not_read=not_read)
