"""Work that is started: against its window, its tries and what readiness says, or not at all."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Final, TypeAlias
from zoneinfo import ZoneInfo

from poller.model import limits
from poller.model.events import Body, RuleOverridden
from poller.model.nameplate import from_flat
from poller.model.refusal import Refusal
from poller.model.standing import State
from poller.model.status import StatusReading
from poller.model.work import Work, WorkState
from poller.site.approved import Step, rule_for, step_for
from poller.site.settings import Site
from poller.work import readiness
from poller.work.against_plan import deciding, is_firmware
from poller.work.objections import unless
from poller.work.planned_work import Move, moved
from poller.work.readiness import Obstacle
from poller.work.requests import StartWork

Decided: TypeAlias = list[tuple[str, Body]]

BUSY: Final = {
    WorkState.UNDER_WAY: "is under way on it: end that first",
    WorkState.WAITING_FOR_RELAY: "was ended and waits for it: let it be read, or close that first",
    WorkState.CHECKING: "is being checked on it: close that first, saying why",
}
"""One relay, one piece of work in hand; nobody may decide against that."""


def started(
    state: State,
    site: Site,
    work: Work,
    given: StartWork,
    at: datetime,
    readings: Mapping[str, StatusReading],
) -> Decided:
    """Raises Refusal with every obstacle and its cure."""
    body = moved(work, Move.STARTED, given.although or "a person started it")
    assert body is not None, "a person's move is made or refused"
    relay = work.plan.relay
    if relay not in state.relays or not state.relays[relay].listed:
        raise Refusal(f"{work.id}: the site no longer lists {relay}: cancel it, or close it")
    for other in state.works_of(relay):
        if other.id != work.id and other.state in BUSY:
            raise Refusal(f"{work.id}: {relay}: {other.id} {BUSY[other.state]}")
    if work.tries >= limits.WORK_TRIES_MAX:
        raise Refusal(f"{work.id}: it was started {work.tries} times: close it and plan new work")
    obstacles = (
        *_outside(work, at),
        *_tried(work, site),
        *readiness.obstacles(work, state, site, readings.get(relay), at),
    )
    why = unless(given.although, f"{work.id} can't be started", obstacles)
    out: Decided = [
        (relay, RuleOverridden(work=work.id, rule=one.rule, says=one.says, why=why))
        for one in obstacles
    ]
    return [*out, (relay, body)]


def _outside(work: Work, at: datetime) -> tuple[Obstacle, ...]:
    if work.plan.start <= at <= work.plan.end:
        return ()
    place = ZoneInfo(work.plan.zone)
    start, end = (
        f"{time.astimezone(place):%Y-%m-%d %H:%M}" for time in (work.plan.start, work.plan.end)
    )
    return (
        Obstacle(
            rule="window",
            says=f"its window is from {start} to {end} ({work.plan.zone})",
            cure="wait for it, or cancel this work and plan it for now",
        ),
    )


def _tried(work: Work, site: Site) -> tuple[Obstacle, ...]:
    """One more try after the first, where the family's procedure permits it; then it stops."""
    steps = _steps(work, site)
    if work.tries == 0 or (work.tries == 1 and steps and all(one.retry_allowed for one in steps)):
        return ()
    if work.tries > 1:
        says = f"it was tried {work.tries} times"
    elif steps:
        says = "it was tried once, and the approved list permits no second try"
    else:
        says = "it was tried once, and no step of the approved list permits a second try"
    return (
        Obstacle(
            rule="retry",
            says=says,
            cure="keep the relay isolated; check hardware fit, package and settings; then close "
            "this work and plan a rollback, or fit a spare",
        ),
    )


def _steps(work: Work, site: Site) -> list[Step]:
    """Those that the plan takes; empty where the approved list does not know one of them."""
    plan, found = work.plan, []
    if site.approved is None:
        return []
    for name in deciding(plan):
        before = plan.before.get(name)
        rule = rule_for(site.approved, from_flat(plan.before), name) if is_firmware(name) else None
        step = step_for(rule, before, plan.expects[name]) if rule and before is not None else None
        if step is None:
            return []
        found.append(step)
    return found
