"""What each alarm ought to tell of: when its condition held, by the rest of the journal.

Stated from what the catalogue's conditions mean and not from how the program finds them. Where
that leaves room (a wall clock that was set between two times, the last answer of a relay that is
asked now and then), a condition may hold and need not: `sure` lies within `may`.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property
from typing import Any, Final, TypeAlias

from poller.model import events as ev
from poller.model.alarms import Cause
from poller.model.events import ChangeClass
from poller.model.status import Behaviour, Health
from poller.model.work import WorkState
from poller.site.alarm_catalogue import Entry
from poller.site.shipped_alarms import catalogue_of
from tests.trials.alarm_times import LATE_S, TOL_S, Part, Times, common, joined, without
from tests.trials.alarm_tracks import Track

UNPLANNED: Final = {ChangeClass.UNPLANNED, ChangeClass.DOWNGRADED, ChangeClass.OPTIONS}
RAISED: Final = {"firmware_changed", "restart_pending"}  # by an update, the only kind of a trial
AT_IT: Final = {WorkState.UNDER_WAY, WorkState.WAITING_FOR_RELAY, WorkState.CHECKING}
SHOWN: Final = {
    Behaviour.TEST: "in test",
    Behaviour.BLOCKED: "blocked",
    Behaviour.TEST_BLOCKED: "in test and blocked",
    Behaviour.OFF: "off",
}


@dataclass(slots=True)
class Course:
    """later_s: how much longer than its entry says it must hold. seen_s: how long it takes until
    somebody looks whether it holds. news: when something was so of which people are told anew.
    says: what its text holds, from when to when.

    caused, perhaps: when work caused it for sure, and when it may have.
    """

    entry: Entry
    sure: list[Part] = field(default_factory=list)
    may: list[Part] = field(default_factory=list)
    caused: list[Part] = field(default_factory=list)
    perhaps: list[Part] = field(default_factory=list)
    news: list[Part] = field(default_factory=list)
    says: list[tuple[Part, str]] = field(default_factory=list)
    later_s: float = 0.0
    seen_s: float = 0.0

    def add(self, part: Part, says: str, *, sure: bool = True, news: bool = False) -> None:
        self.may = joined([*self.may, part])
        if sure:
            self.sure = joined([*self.sure, part])
        if news:
            self.news.append(part)
        self.says.append((part, says))

    def cover(self, parts: Iterable[Part], *, sure: bool) -> None:
        found = list(parts)
        self.perhaps = joined([*self.perhaps, *found])
        if sure:
            self.caused = joined([*self.caused, *found])


@dataclass(slots=True, kw_only=True)
class Job:
    """Work as the journal has it. moves: when, and to which state."""

    name: str
    relay: str
    window: list[Part]
    moves: list[tuple[float, WorkState]] = field(default_factory=list)

    def stood(self, states: Iterable[WorkState], ends: float) -> list[Part]:
        times = [at for at, _ in self.moves] + [ends]
        return joined(
            (at, times[number + 1])
            for number, (at, state) in enumerate(self.moves)
            if state in states
        )

    @property
    def began(self) -> float | None:
        """None: nobody said so, or it never did."""
        return next((at for at, state in self.moves if state == WorkState.UNDER_WAY), None)


@dataclass
class Facts:
    """The journal but for its alarms, by relay and kind: when, and what."""

    times: Times
    tracks: dict[str, Track]

    def __post_init__(self) -> None:
        self.told: dict[tuple[str, str], list[tuple[float, Any]]] = defaultdict(list)
        self.jobs: dict[str, list[Job]] = defaultdict(list)
        by_name: dict[str, Job] = {}
        for one in self.times.ran.events:
            at, relay, body = self.times.of[one.seq], one.event.subject, one.event.body
            self.told[relay, body.kind].append((at, body))
            if isinstance(body, ev.WorkAdded):
                job = Job(name=body.work, relay=relay, window=self.times.until(body.plan.end))
                by_name[body.work] = job
                self.jobs[relay].append(job)
            elif isinstance(body, ev.WorkMoved):
                by_name[body.work].moves.append((at, body.after))

    @property
    def ends(self) -> float:
        return self.times.ends

    @cached_property
    def relays(self) -> list[str]:
        return [entry.id for entry in self.times.ran.drawn.site.file.relays]

    def status_s(self, relay: str) -> float:
        return float(self.times.ran.drawn.site.file.intervals.status_s or 60)

    def stood(self, relay: str, begin: str, *ends: str) -> Iterator[tuple[Part, Any]]:
        """From each event of one kind to the next of the other kinds."""
        over = sorted(at for kind in ends for at, _ in self.told[relay, kind])
        for at, body in self.told[relay, begin]:
            yield (at, next((one for one in over if one > at), self.ends)), body

    def worked_on(self, relay: str) -> list[Part]:
        return joined(
            part for job in self.jobs[relay] for part in job.stood({WorkState.UNDER_WAY}, self.ends)
        )

    def covering(self, job: Job) -> list[Part]:
        """What work causes is kept back from its start until it came out or its window is over."""
        return common(job.stood(AT_IT, self.ends), job.window)

    def since_begun(self, job: Job, seen: datetime | None, told: float) -> float | None:
        """Seconds from the start of work to what was first read then; None: not to be said."""
        if job.began is None or seen is None:
            return None
        first = self.times.read(seen, told)
        low, high = sorted((first, job.began))
        return None if self.times.set_between(low, high) else first - job.began


Found: TypeAlias = Callable[[Facts, str, Entry], Iterator[tuple[str, Course]]]
"""The alarms of one relay and entry: what their ids end with, and their course."""


def _investigated(classes: set[ChangeClass]) -> Found:
    def found(facts: Facts, relay: str, entry: Entry) -> Iterator[tuple[str, Course]]:
        course = Course(entry)
        answered = {body.investigation: at for at, body in facts.told[relay, "disposition_given"]}
        for at, body in facts.told[relay, "investigation_opened"]:
            if body.change in classes:
                part = at, answered.get(body.investigation, facts.ends)
                course.add(part, f"investigation {body.investigation}", news=True)
        yield "", course

    return found


def _came_out(state: WorkState) -> Found:
    def found(facts: Facts, relay: str, entry: Entry) -> Iterator[tuple[str, Course]]:
        course = Course(entry)
        for job in facts.jobs[relay]:
            for part in job.stood({state}, facts.ends):
                course.add(part, f"work {job.name}", news=True)
        yield "", course

    return found


def _flag(facts: Facts, relay: str, entry: Entry) -> Iterator[tuple[str, Course]]:
    """What work raised is another alarm's, where the catalogue has one for that."""
    course = Course(entry)
    apart = catalogue_of(facts.times.ran.drawn.site).first(Cause.FLAG_LEFT) is not None
    for part, body, jobs, sure in _flags(facts, relay):
        if body.flag != entry.flag or (apart and jobs and sure):
            continue
        course.add(part, body.says, sure=not (apart and jobs))
        for job in () if apart else jobs:
            course.cover(common([part], facts.covering(job)), sure=sure)
    yield "", course


def _flag_left(facts: Facts, relay: str, entry: Entry) -> Iterator[tuple[str, Course]]:
    courses: dict[str, Course] = {}
    for part, body, jobs, sure in _flags(facts, relay):
        for job in jobs:
            course = courses.setdefault(body.flag, Course(entry))
            course.add(part, body.says, sure=sure)
            course.cover(common([part], facts.covering(job)), sure=sure)
    yield from courses.items()


def _flags(facts: Facts, relay: str) -> Iterator[tuple[Part, Any, list[Job], bool]]:
    """Each flag that stood, the work that raised it, and whether that can be said for sure."""
    fell = facts.told[relay, "flag_fell"]
    for at, body in facts.told[relay, "flag_rose"]:
        over = next((then for then, one in fell if one.flag == body.flag and then > at), facts.ends)
        raised: dict[bool, list[Job]] = {True: [], False: []}
        for job in facts.jobs[relay] if body.flag in RAISED else ():
            after_s = facts.since_begun(job, body.first_new_at, at)
            first = facts.times.read(body.first_new_at, at)
            at_it = job.stood(AT_IT, facts.ends)
            if after_s is None:
                if job.moves and job.moves[0][0] < over:
                    raised[False].append(job)
            elif any(
                a + TOL_S < first < b - TOL_S and not facts.times.set_between(first, b)
                for a, b in at_it
            ):
                raised[True].append(job)
            elif any(first < b + TOL_S for _, b in at_it) and after_s > -TOL_S:
                raised[False].append(job)
        jobs = [*raised[True], *raised[False]]
        yield (at, over), body, jobs, not raised[False]


def _not_in_service(facts: Facts, relay: str, entry: Entry) -> Iterator[tuple[str, Course]]:
    """Of a relay that is worked on nothing new is told; it is not asked."""
    course = Course(entry)
    track = facts.tracks.get(f"{relay}.{entry.id}")
    for part, body in facts.stood(relay, "behaviour_changed", "behaviour_changed"):
        if body.after in SHOWN:
            unseen = [
                hole
                for hole in facts.worked_on(relay)
                if track is None or not track.at(hole[0]).active
            ]
            for left in without([part], unseen):
                course.add(left, SHOWN[body.after])
    yield "", course


def _unreadable(facts: Facts, relay: str, entry: Entry) -> Iterator[tuple[str, Course]]:
    course = Course(entry)
    read = "identity_readable", "nameplate_first_read", "nameplate_changed"
    for part, body in facts.stood(relay, "identity_unreadable", *read):
        course.add(part, "can't be read")
        for job in facts.jobs[relay]:
            after_s = facts.since_begun(job, body.since, part[0])
            if after_s is None or after_s > -TOL_S:
                sure = after_s is not None and after_s > TOL_S
                course.cover(common([part], facts.covering(job)), sure=sure)
    yield "", course


def _failure(*, wired: bool) -> Found:
    def found(facts: Facts, relay: str, entry: Entry) -> Iterator[tuple[str, Course]]:
        course = Course(entry)
        if catalogue_of(facts.times.ran.drawn.site).watched_by_wire(relay) == wired:
            for part, body in facts.stood(relay, "health_changed", "health_changed"):
                if body.after == Health.ALARM:
                    course.add(part, "health is alarm")
        yield "", course

    return found


FINDS: Final[dict[Cause, Found]] = {
    Cause.UNPLANNED_CHANGE: _investigated(UNPLANNED),
    Cause.REPLACED: _investigated({ChangeClass.REPLACED}),
    Cause.SETTINGS_CHANGED: _investigated({ChangeClass.SETTINGS}),
    Cause.WRONG_VERSION: _came_out(WorkState.WRONG_VERSION),
    Cause.NOT_DONE: _came_out(WorkState.NOT_DONE),
    Cause.FLAG: _flag,
    Cause.FLAG_LEFT: _flag_left,
    Cause.NOT_IN_SERVICE: _not_in_service,
    Cause.IDENTITY_UNREADABLE: _unreadable,
    Cause.RELAY_FAILURE: _failure(wired=False),
    Cause.RELAY_FAILURE_WIRED: _failure(wired=True),
}
"""What a trial leads to, but for silence, of which several relays have something in common."""


def courses(facts: Facts) -> dict[str, Course]:
    """By alarm; of those that are in no event there may be none."""
    found: dict[str, Course] = {}
    for entry in catalogue_of(facts.times.ran.drawn.site).entries:
        if entry.cause in FINDS:
            for relay in facts.relays:
                for detail, course in FINDS[entry.cause](facts, relay, entry):
                    name = f"{relay}.{entry.id}"
                    found[f"{name}.{detail}" if detail else name] = course
    return found | dict(_own(facts))


def _own(facts: Facts) -> Iterator[tuple[str, Course]]:
    """Of the poller itself: seen at a look only, and told by who is alive."""
    ran, catalogue = facts.times.ran, catalogue_of(facts.times.ran.drawn.site)
    for entry in catalogue.of(Cause.OUTPUT_AWAY):
        course = Course(entry)
        for start, end in ran.drawn.broker_away:
            seen = facts.times.due(start, 0)
            course.add((start, facts.times.due(end, 0) or end), "output trial", sure=False)
            if seen is not None and seen < end:
                course.add((seen, end), "output trial")
        yield f"poller.{entry.id}.trial", course
    for entry in catalogue.of(Cause.JOURNAL_FAILING):
        course = Course(entry)
        for start, end in ran.drawn.failing:
            says = "can't be written"
            course.add((start, end + 2 * LATE_S), says, sure=False)
            tried = [at for at in facts.times.of.values() if start < at < end]
            alive = any(a <= start and end + LATE_S <= b for a, b in ran.lives)
            told = alive and not facts.times.pauses  # with a full queue, not even this
            if tried and told and min(tried) + LATE_S + 2 < end:
                course.add((min(tried) + LATE_S + 2, end), says)
        yield f"poller.{entry.id}", course
