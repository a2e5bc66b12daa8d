"""Belief. One reading is a rumour: a nameplate needs two passes apart, an edge two in a row."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Final

from poller.judging.findings import Edges, Moment
from poller.model.nameplate import Nameplate
from poller.model.status import Behaviour, Health, Status


@dataclass(frozen=True, slots=True, kw_only=True)
class Claim:
    """What one complete pass said. map: None where no listed map fits the identity."""

    nameplate: Nameplate
    map: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Pending:
    """A claim that differs from what is believed, waiting for a second pass."""

    claim: Claim
    since: Moment
    last_old_at: Moment | None
    need_s: float

    @property
    def due_mono(self) -> float:
        return self.since.mono + self.need_s


def weigh(
    believed: Claim | None,
    pending: Pending | None,
    claim: Claim,
    now: Moment,
    *,
    need_s: float,
    last_old_at: Moment | None,
) -> tuple[Pending | None, bool]:
    """What still waits after this pass, and whether the claim is believed now.

    need_s: how far apart two equal passes must be; the longer of the first pass's need and this
    one's counts, so that a restart seen in between makes the wait longer and never shorter.
    """
    if claim == believed:
        return None, False
    if pending is None or pending.claim != claim:
        waiting = Pending(claim=claim, since=now, last_old_at=last_old_at, need_s=need_s)
        return waiting, False
    need_s = max(need_s, pending.need_s)
    if now.mono - pending.since.mono >= need_s:
        return pending, True
    return Pending(
        claim=claim, since=pending.since, last_old_at=pending.last_old_at, need_s=need_s
    ), False


NO_NAMES: Final = frozenset[str]()  # one for all relays: an empty one takes 216 octets


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """The status values that events have told."""

    flags: frozenset[str] = NO_NAMES  # those that stand
    health: Health | None = None
    behaviour: Behaviour | None = None
    setting_group: int | None = None


def settled(known: Known, status: Status) -> bool:
    """Whether this reading says nothing that is not known."""
    return (
        all((name in known.flags) is stands for name, stands in status.flags)
        and status.health in (None, known.health)
        and status.behaviour in (None, known.behaviour)
        and status.setting_group in (None, known.setting_group)
    )


def tells(status: Status) -> int:
    """How many values it tells that can be news."""
    others = (status.health, status.behaviour, status.setting_group)
    return len(status.flags) + sum(value is not None for value in others)


def edges(
    known: Known, first: Status, second: Status, *, last_old_at: datetime | None, first_at: datetime
) -> Edges | None:
    """What both readings say and is not known; None where they agree on nothing new."""
    was = dict(first.flags)
    flags = {
        name: stands
        for name, stands in second.flags
        if was.get(name) is stands and (name in known.flags) is not stands
    }
    health = _both(known.health, first.health, second.health)
    behaviour = _both(known.behaviour, first.behaviour, second.behaviour)
    group = _both(known.setting_group, first.setting_group, second.setting_group)
    if not flags and health is None and behaviour is None and group is None:
        return None
    return Edges(
        flags=flags,
        health=None if health is None else Health(health),
        behaviour=None if behaviour is None else Behaviour(behaviour),
        setting_group=group,
        last_old_at=last_old_at,
        first_new_at=first_at,
    )


def _both(known: int | None, first: int | None, second: int | None) -> int | None:
    return second if second == first and second != known else None


def learned(known: Known, found: Edges) -> Known:
    """What is known once these edges are told."""
    rose = {name for name, stands in found.flags.items() if stands}
    fell = {name for name, stands in found.flags.items() if not stands}
    return Known(
        flags=(known.flags | rose) - fell or NO_NAMES,
        health=known.health if found.health is None else found.health,
        behaviour=known.behaviour if found.behaviour is None else found.behaviour,
        setting_group=known.setting_group if found.setting_group is None else found.setting_group,
    )
