"""A plan: which step is done in which outage, by the clock; what has no place, and why."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

from poller.planning.outages.asking import Asked, LeftOut
from poller.planning.outages.draft import Draft
from poller.planning.outages.greedy import Where, greedy
from poller.planning.outages.improve import improve
from poller.planning.outages.question import Place, Question
from poller.planning.outages.solver import Tell, installed, solve
from poller.planning.outages.why import Unplaced, unplaced


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """step: its index. start, end: when it is its turn in the window. pilot: of its family."""

    step: int
    window: int
    team: int
    start: datetime
    end: datetime
    pilot: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """A pilot's hold, of one family; others of it wait until then. step: the pilot's last."""

    family: str
    step: int
    since: datetime
    until: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class OutagePlan:
    """cost: days until done, weighted. greedy: of the plan without a solver. bound: no plan costs
    less; None: no solver looked. stopped: by the clock or a person."""

    question: Question
    placed: tuple[Placed, ...]
    holds: tuple[Held, ...]
    unplaced: tuple[Unplaced, ...]
    left_out: tuple[LeftOut, ...]
    cost: int
    greedy: int
    bound: int | None
    optimal: bool
    stopped: bool


def plan(asked: Asked, tell: Tell = lambda *_: None, solver: bool = True) -> OutagePlan:
    """Greedily and then better step by step; by the solver, where it is installed and asked for,
    with a bound."""
    question = asked.question
    first = greedy(question)
    where, bound, optimal, stopped = improve(question, first), None, False, False
    if solver and installed() and question.steps:
        found = solve(question, where, tell)
        where, bound = found.where, found.bound
        optimal, stopped = found.optimal, found.stopped
    return _whole(asked, where, first, bound, optimal, stopped)


def at_once(asked: Asked) -> OutagePlan:
    """Greedily and no more: within a second for a fleet."""
    first = greedy(asked.question)
    return _whole(asked, first, first, None, False, False)


def _whole(
    asked: Asked, where: Where, first: Where, bound: int | None, optimal: bool, stopped: bool
) -> OutagePlan:
    question = asked.question
    draft = Draft(question, where)
    return OutagePlan(
        question=question,
        placed=tuple(sorted(_laid_out(draft), key=lambda one: (one.start, one.window, one.team))),
        holds=tuple(_holds(draft)),
        unplaced=tuple(unplaced(draft)),
        left_out=asked.left_out,
        cost=question.cost(where),
        greedy=question.cost(first),
        bound=bound,
        optimal=optimal,
        stopped=stopped,
    )


def _laid_out(draft: Draft) -> Iterator[Placed]:
    """One step after the other in each place: pilots first, then what counts most."""
    question, there = draft.question, defaultdict[Place, list[int]](list)
    for step, place in enumerate(draft.where):
        if place is not None:
            there[place].append(step)
    unit_of = question.unit_of()
    held = {family.id for family in question.families if family.free_from is None}
    pilots = {unit for family, unit in draft.pilots.items() if family in held}
    weights: dict[str, int] = defaultdict(int)
    for job in question.jobs:
        weights[job.relay] = max(weights[job.relay], job.weight)
    for (window, team), steps in there.items():
        at = question.slots[window].start

        def turn(step: int) -> tuple[bool, int, str, int]:
            one = question.steps[step]
            return unit_of[one.job] not in pilots, -weights[one.relay], one.relay, step

        for step in sorted(steps, key=turn):
            one = question.steps[step]
            end = at + timedelta(minutes=one.minutes)
            pilot = draft.pilots.get(question.jobs[one.job].family) == unit_of[one.job]
            pilot = pilot and question.jobs[one.job].family in held
            yield Placed(step=step, window=window, team=team, start=at, end=end, pilot=pilot)
            at = end


def _holds(draft: Draft) -> Iterator[Held]:
    question = draft.question
    for family in question.families:
        unit = draft.pilots.get(family.id)
        waiting = sum(job.family == family.id for job in question.jobs) > 1
        if family.free_from is None and unit is not None and waiting and question.hold:
            end = draft.done(unit)
            jobs = [j for j in question.units[unit].jobs if question.jobs[j].family == family.id]
            assert end is not None, "a pilot is placed"
            step = question.jobs[jobs[-1]].steps[-1]
            yield Held(family=family.id, step=step, since=end, until=end + question.hold)
