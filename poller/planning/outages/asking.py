"""The due list, the site and an outages file into a question for a plan."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from poller.model import limits
from poller.model.refusal import Refusal
from poller.model.standing import State
from poller.model.work import ENDED, FirmwareStatus, Work, WorkKind
from poller.planning.due import Course, Due
from poller.planning.outages.barring import Barring, Wanted
from poller.planning.outages.check import times
from poller.planning.outages.question import Bar, Family, Job, Pair, Question, Slot, Step, Unit
from poller.planning.outages.shape import OutageFile, Weights
from poller.planning.reasons import OF_UPDATES, Cause
from poller.site.approved import Rule, same_version
from poller.site.settings import LineEnds, Redundant, Site

DAY: Final = timedelta(days=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """Due, and in no plan: of a whole relay, before any window is looked at."""

    relay: str
    bar: Bar


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    question: Question
    left_out: tuple[LeftOut, ...]


def ask(dues: Sequence[Due], state: State, site: Site, outages: OutageFile, now: datetime) -> Asked:
    """Raises Refusal where more is due than one plan can place."""
    slots = tuple(_slots(outages, now, site))
    left_out: list[LeftOut] = []
    wanted: list[tuple[Due, Course]] = []
    for one in dues:
        if one.relay is not None and any(r.cause in OF_UPDATES for r in one.reasons):
            bar = _no_way(one, state)
            if bar is None:
                wanted += [(one, course) for course in one.courses if course.way]
            else:
                left_out.append(LeftOut(relay=one.relay, bar=bar))
    count = sum(len(course.way or ()) for _, course in wanted)
    if count > limits.OUTAGE_STEPS_MAX:
        raise Refusal(
            f"{count:,} steps are due, and one plan places {limits.OUTAGE_STEPS_MAX:,} at most: "
            "plan for some of the relays with --relay"
        )
    jobs, steps = _jobs(wanted, slots, state, site, outages, now)
    question = Question(
        now=now,
        slots=slots,
        steps=steps,
        jobs=jobs,
        units=tuple(_units(jobs, site)),
        families=tuple(_families(jobs, wanted, state, outages)),
        pairs=tuple(_pairs({job.relay for job in jobs}, slots, site, outages)),
        hold=timedelta(days=outages.pilot.hold_days),
    )
    return Asked(question=question, left_out=tuple(left_out))


def _slots(outages: OutageFile, now: datetime, site: Site) -> Iterator[Slot]:
    """By start. Bays with work under way are bounded by the site, and so are teams."""
    found = []
    for window in outages.windows:
        start, end = times(window, outages.zone)
        whole = (end - start) // timedelta(minutes=1)
        hours = window.crew.hours
        teams = min(window.crew.people // outages.people_per_step, site.file.work.bays_at_once)
        slot = Slot(
            id=window.id,
            start=start,
            end=end,
            bays=frozenset(window.bays),
            groups=frozenset(window.groups),
            teams=max(1, teams),
            minutes=whole if hours is None else min(whole, int(hours * 60)),
            days=max(0, -((now - end) // DAY)),
        )
        found.append(slot)
    yield from sorted(found, key=lambda slot: (slot.start, slot.end, slot.id))


def _no_way(one: Due, state: State) -> Bar | None:
    assert one.relay is not None
    open_work = [w for w in state.works_of(one.relay) if w.plan.kind in UPDATES]
    if open_work:
        works = ", ".join(f"{work.id} ({work.plan.start:%Y-%m-%d})" for work in open_work)
        return Bar(rule="planned", says=f"work on it is planned already: {works}")
    blocked = [course for course in one.courses if course.way is None]
    if blocked:
        course = blocked[0]
        says = f"rule {course.rule.id} permits no way from what it runs to {course.target}"
        return Bar(rule="way", says=says)
    if not any(course.way for course in one.courses):
        return Bar(rule="way", says="the approved list has no version for it to go to")
    return None


UPDATES: Final = frozenset({WorkKind.UPDATE, WorkKind.ROLLBACK})


def weight(one: Due, weights: Weights) -> int:
    """Of a day of waiting. What an exception lets wait counts least, until its last day."""
    if one.waits is not None:
        return 1
    counts: dict[str, int] = weights.model_dump()
    causes = (reason.cause for reason in one.reasons if reason.cause in OF_UPDATES)
    return max(1, sum(counts[cause.name.lower()] for cause in causes))


def _jobs(
    wanted: Sequence[tuple[Due, Course]],
    slots: tuple[Slot, ...],
    state: State,
    site: Site,
    outages: OutageFile,
    now: datetime,
) -> tuple[tuple[Job, ...], tuple[Step, ...]]:
    jobs: list[Job] = []
    steps: list[Step] = []
    goes = {(one.relay or "", course.attribute): course.target for one, course in wanted}
    barring = Barring(slots, state, site, outages, goes, now)
    last: dict[str, int] = {}
    for one, course in wanted:
        relay = one.relay
        assert relay is not None
        assert course.way
        bay = state.relays[relay].bay
        job = Job(
            relay=relay,
            bay=bay,
            family=course.rule.id,
            attribute=course.attribute,
            target=course.target,
            weight=weight(one, outages.weights),
            steps=tuple(range(len(steps), len(steps) + len(course.way))),
            after=last.get(relay),
        )
        for step in course.way:
            want = Wanted(
                relay=relay,
                bay=bay,
                course=course,
                step=step,
                minutes=minutes(outages, course.rule.id, step.minutes, step.settings_survive),
                by=_by(one, course.rule.id, outages, now),
            )
            steps.append(
                Step(
                    job=len(jobs),
                    relay=relay,
                    version_from=step.from_,
                    to=step.to,
                    direction=step.direction,
                    minutes=want.minutes,
                    bars=barring.of(want),
                )
            )
        last[relay] = len(jobs)
        jobs.append(job)
    return tuple(jobs), tuple(steps)


def minutes(outages: OutageFile, family: str, update: int, survive: bool) -> int:
    """Of a step, from taking the relay out until it is in service again."""
    usual, own = outages.minutes, outages.families.get(family)
    told = {} if own is None else own.model_dump(exclude_none=True, exclude={"pilot"})
    parts = usual.model_dump() | {"update": update} | told
    return sum(int(parts[name]) for name in parts if name != "settings" or not survive)


def _by(one: Due, family: str, outages: OutageFile, now: datetime) -> tuple[datetime, str] | None:
    """The first moment after the last day on which it may be done, and why."""
    zone = ZoneInfo(outages.zone)
    found = [
        (each.by, each.why)
        for each in outages.deadlines
        if each.relay == one.relay or each.family == family
    ]
    if one.waits is not None:
        until = datetime.fromisoformat(one.waits.until).date()
        found.append((until, f"exception {one.waits.id} expires"))
    for reason in one.reasons:
        day = reason.by if reason.cause is Cause.EXCEPTION_ENDING else None
        if day is not None and day >= now.date():  # one that has expired asks for the next window
            found.append((day, reason.says))
    if not found:
        return None
    day, why = min(found)
    return datetime.combine(day + DAY, time(), zone).astimezone(UTC), f"by {day}: {why}"


def _units(jobs: Sequence[Job], site: Site) -> Iterator[Unit]:
    """Ends of one line that are both due are placed together; every other job by itself."""
    of_relay: dict[str, list[int]] = defaultdict(list)
    for at, job in enumerate(jobs):
        of_relay[job.relay].append(at)
    bound: list[set[str]] = []
    for group in site.file.protection_groups.values():
        ends = {name for name in group.members if name in of_relay}
        if isinstance(group, LineEnds) and len(ends) > 1:
            touched = [one for one in bound if one & ends]
            bound = [one for one in bound if not one & ends]
            bound.append(ends.union(*touched))
    line = {name: at for at, one in enumerate(bound) for name in one}
    told: set[int] = set()
    for at, job in enumerate(jobs):
        place = line.get(job.relay)
        if place is None:
            yield Unit(jobs=(at,), together=False)
        elif place not in told:
            told.add(place)
            all_jobs = sorted(one for name in bound[place] for one in of_relay[name])
            yield Unit(jobs=tuple(all_jobs), together=True)


def _families(
    jobs: Iterable[Job],
    wanted: Sequence[tuple[Due, Course]],
    state: State,
    outages: OutageFile,
) -> Iterator[Family]:
    rules = {course.rule.id: course.rule for _, course in wanted}
    hold = timedelta(days=outages.pilot.hold_days)
    for name in dict.fromkeys(job.family for job in jobs):
        since = min(_in_service(rules[name], state), default=None)
        own = outages.families.get(name)
        yield Family(
            id=name,
            named=None if own is None else own.pilot,
            free_from=None if since is None else since + hold,
        )


def _in_service(rule: Rule, state: State) -> Iterator[datetime]:
    """Since when a relay of the family runs the target, or will after work that is planned."""
    for relay in state.relays.values():
        one = relay.firmware.get(rule.attribute)
        ours = relay.listed and one is not None and one.rule == rule.id
        if ours and one is not None and one.status is FirmwareStatus.CURRENT:
            yield one.since
    for work in state.works.values():
        if work.state not in ENDED and _brings(work, rule, state):
            yield work.plan.end


def _brings(work: Work, rule: Rule, state: State) -> bool:
    comes = work.plan.expects.get(rule.attribute)
    relay = state.relays.get(work.plan.relay)
    told = None if relay is None else relay.firmware.get(rule.attribute)
    of_rule = told is not None and told.rule == rule.id
    return comes is not None and of_rule and same_version(rule, comes, rule.target)


def _pairs(due: set[str], slots: Sequence[Slot], site: Site, outages: OutageFile) -> Iterator[Pair]:
    for name, group in site.file.protection_groups.items():
        if not isinstance(group, Redundant):
            continue
        members = [member for member in group.members if member in due]
        for at, one in enumerate(members):
            for other in members[at + 1 :]:
                bays = {site.file.by_id[one].bay, site.file.by_id[other].bay}
                shared = {i for i, slot in enumerate(slots) if bays <= slot.bays}
                yield Pair(
                    group=name,
                    one=one,
                    other=other,
                    soak=timedelta(hours=group.soak_h),
                    both_in=frozenset(shared if outages.both_when_bay_out else ()),
                )
