"""What is due of each relay, why, by which way, and what stands in the way of the first step."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Final

from poller.model.due import Excepted
from poller.model.nameplate import flat
from poller.model.standing import Relay, State
from poller.model.standing import shown as present
from poller.model.status import StatusReading
from poller.model.work import FirmwareStatus, Plan, Work, WorkKind, WorkState, by_number
from poller.planning.advisories import Held
from poller.planning.bulletins import Concerned
from poller.planning.reasons import (
    EXCEPTION_AHEAD_DAYS,
    OF_PROTECTION,
    OF_UPDATES,
    Cause,
    Reason,
    of_makers,
    of_relays,
)
from poller.planning.ways import Way, way
from poller.site.approved import Rule
from poller.site.settings import Site
from poller.work import readiness
from poller.work.obstacle import Obstacle


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """The way of one firmware to its target. way: None: none is permitted; (): it is there."""

    attribute: str
    present: str
    target: str
    rule: Rule
    way: Way | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """relay: None where it is about a maker. obstacles: to the first step, as it stands now.

    works: open work on it, which may be that step. waits: an exception that stands.
    """

    relay: str | None
    maker: str | None
    reasons: tuple[Reason, ...]
    courses: tuple[Course, ...]
    obstacles: tuple[Obstacle, ...]
    works: tuple[str, ...]
    waits: Excepted | None

    @property
    def rank(self) -> tuple[bool, Cause, date]:
        """What waits by an exception comes last; then the gravest cause; then the first day."""
        asks = [one for one in self.reasons if self.waits is None or one.cause not in OF_UPDATES]
        days = [one.by for one in asks if one.by is not None]
        worst = min(one.cause for one in asks or self.reasons)
        return (not asks, worst, min(days, default=date.max))


def due(
    state: State,
    site: Site,
    held: Held,
    concerned: Iterable[Concerned],
    readings: Mapping[str, StatusReading],
    now: datetime,
    *,
    only: str | None = None,
) -> tuple[Due, ...]:
    """The most pressing first. readings: the last status of each relay that has one.

    only: a relay, of which alone it is told.
    """
    found = [
        Due(
            relay=None,
            maker=maker,
            reasons=(reason,),
            courses=(),
            obstacles=(),
            works=(),
            waits=None,
        )
        for maker, reason in of_makers(state, site, now)
        if only is None
    ]
    for name, reasons in of_relays(state, site, held, concerned, now).items():
        if only not in (None, name):
            continue
        relay, waits = state.relays[name], None
        exception = _exception(state, name)
        if exception is not None and any(one.cause in OF_UPDATES for one in reasons):
            ending = _ending(exception, now.date())
            if ending is not None:
                reasons.append(ending)
            elif any(_unknown_then(one, exception) for one in reasons):
                reasons = [_told_beside(one, exception) for one in reasons]
            else:
                waits = exception
        courses = tuple(_courses(relay, site))
        found.append(
            Due(
                relay=name,
                maker=None,
                reasons=tuple(sorted(reasons, key=lambda one: one.cause)),
                courses=courses,
                obstacles=_obstacles(state, site, name, courses, readings.get(name), now),
                works=tuple(one.id for one in state.works_of(name)),
                waits=waits,
            )
        )
    return tuple(sorted(found, key=lambda one: (one.rank, one.relay or "", one.maker or "")))


def _unknown_then(one: Reason, exception: Excepted) -> bool:
    """Whoever gave the exception could not weigh that protection may fail."""
    return one.cause in OF_PROTECTION and one.since is not None and one.since > exception.at


def _told_beside(one: Reason, exception: Excepted) -> Reason:
    if not _unknown_then(one, exception):
        return one
    return replace(one, says=f"{one.says}; it came after exception {exception.id} was given")


def _exception(state: State, name: str) -> Excepted | None:
    """The last that was given, unless it was ended."""
    found = [one for one in state.exceptions.values() if one.relay == name]
    last = max(found, key=lambda one: by_number(one.id), default=None)
    return None if last is None or last.ended_at is not None else last


def _ending(exception: Excepted, today: date) -> Reason | None:
    """None: it lets what is due wait for long enough yet."""
    until = date.fromisoformat(exception.until)
    left = (until - today).days
    if left > EXCEPTION_AHEAD_DAYS:
        return None
    word = "expires" if left >= 0 else "expired"
    says = f"exception {exception.id} {word} on {exception.until}"
    return Reason(cause=Cause.EXCEPTION_ENDING, says=says, by=until)


def _courses(relay: Relay, site: Site) -> Iterator[Course]:
    """Of each firmware that is not what it is to be. The device first."""
    rules = {} if site.approved is None else {one.id: one for one in site.approved.rules}
    for attribute, one in sorted(relay.firmware.items(), key=lambda item: item[0] != "swRev"):
        rule = rules.get(one.rule or "")
        if rule is None or one.version is None or one.status is FirmwareStatus.CURRENT:
            continue
        found = way(rule, one.version, rule.target)
        yield Course(
            attribute=attribute,
            present=one.version,
            target=rule.target,
            rule=rule,
            way=found,
        )


NOTED: Final = frozenset({"read-back", "partner-trips"})
"""Rules that a note on planned work answers; before there is work they say nothing."""


def _obstacles(
    state: State,
    site: Site,
    name: str,
    courses: Sequence[Course],
    reading: StatusReading | None,
    now: datetime,
) -> tuple[Obstacle, ...]:
    """To open work where there is some; else to the first step, as if it were planned."""
    open_works = [one for one in state.works_of(name) if one.state in TO_START]
    if open_works:
        return readiness.obstacles(open_works[0], state, site, reading, now)
    first = next((one for one in courses if one.way), None)
    if first is None or not first.way:
        return ()
    step, plate = first.way[0], present(state.relays[name])
    plan = Plan(
        relay=name,
        kind=WorkKind(step.direction),
        expects={first.attribute: step.to},
        before={} if plate is None else flat(plate),
        start=now,
        end=now + timedelta(minutes=step.minutes),
        zone="UTC",
    )
    work = Work(id="-", plan=plan, state=WorkState.PLANNED, since=now, by=None, entered_at=now)
    found = readiness.obstacles(work, state, site, reading, now)
    return tuple(one for one in found if one.rule not in NOTED)


TO_START: Final = frozenset({WorkState.PLANNED, WorkState.READY})
