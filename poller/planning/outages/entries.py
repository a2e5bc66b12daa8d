"""What `work add` is asked for a plan: each relay has its part of the outage's window."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime
from typing import TypeAlias

from poller.planning.outages.plan import OutagePlan, Placed


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """relays: several only where they are ends of one line, which are planned in one."""

    relays: tuple[str, ...]
    kind: str
    expects: dict[str, str]
    start: datetime
    end: datetime
    window: int


Key: TypeAlias = tuple[int, str, str, str, datetime, datetime, int]


def entries(made: OutagePlan) -> tuple[Entry, ...]:
    """In the order of the plan. The whole window, parted where a relay has several steps in it."""
    question = made.question
    unit_of = question.unit_of()
    of_relay: dict[tuple[str, int], list[Placed]] = defaultdict(list)
    for one in made.placed:
        of_relay[question.steps[one.step].relay, one.window].append(one)
    found: dict[Key, list[str]] = defaultdict(list)
    for (relay, window), placed in of_relay.items():
        slot = question.slots[window]
        starts = [slot.start, *(one.end for one in placed[:-1])]
        ends = [*starts[1:], slot.end]
        for one, start, end in zip(placed, starts, ends, strict=True):
            step = question.steps[one.step]
            attribute = question.jobs[step.job].attribute
            unit = unit_of[step.job]
            found[unit, step.direction, attribute, step.to, start, end, window].append(relay)
    return tuple(
        Entry(
            relays=tuple(relays),
            kind=kind,
            expects={attribute: to},
            start=start,
            end=end,
            window=window,
        )
        for (_, kind, attribute, to, start, end, window), relays in found.items()
    )
