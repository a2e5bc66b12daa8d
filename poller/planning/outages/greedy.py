"""A plan without a solver: pilots first, then each unit as early as it goes, in two orders."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import TypeAlias

from poller.planning.outages.draft import Draft
from poller.planning.outages.question import Place, Question

Where: TypeAlias = tuple[Place | None, ...]
Rank: TypeAlias = Callable[[Question, int], float]


def greedy(question: Question) -> Where:
    """Of each step its place, or None: the cheaper of two plans, the first where they are equal."""
    return min((_in_order(question, rank) for rank in RANKS), key=question.cost)


def _in_order(question: Question, rank: Rank) -> Where:
    draft = Draft(question)
    ranked = sorted(range(len(question.units)), key=lambda unit: (rank(question, unit), unit))
    for one in sorted({stage(question, unit) for unit in ranked}):
        units = [unit for unit in ranked if stage(question, unit) == one]
        _put_pilots(draft, units)
        fill(draft, units)
    return tuple(draft.where)


def fill(draft: Draft, units: Iterable[int]) -> None:
    """Whatever still has room, in this order."""
    for unit in units:
        if draft.done(unit) is None:
            draft.put_unit(unit)


def _put_pilots(draft: Draft, units: Sequence[int]) -> None:
    """Of each family the unit that is done first, since all others wait for it."""
    question = draft.question
    for family in question.families:
        if family.free_from is not None or family.id in draft.pilots:
            continue
        tried = []
        for unit in units:
            ours = any(question.jobs[j].family == family.id for j in question.units[unit].jobs)
            if ours and draft.done(unit) is None and draft.put_unit(unit):
                end = draft.done(unit)
                assert end is not None, "it was put"
                draft.take_unit(unit)
                tried.append((end, unit))
        if tried:
            draft.put_unit(min(tried, key=lambda one: one[0])[1])  # of equal ones by their rank


def stage(question: Question, unit: int) -> int:
    """How many firmwares of the same relay come before it."""
    stages = []
    for job in question.units[unit].jobs:
        stage, before = 0, question.jobs[job].after
        while before is not None:
            stage, before = stage + 1, question.jobs[before].after
        stages.append(stage)
    return min(stages)


def saves(question: Question, unit: int) -> float:
    """Most weight for each minute of work first."""
    jobs = [question.jobs[job] for job in question.units[unit].jobs]
    minutes = sum(question.steps[step].minutes for job in jobs for step in job.steps)
    return -sum(job.weight for job in jobs) / max(1, minutes)


def _few_windows(question: Question, unit: int) -> float:
    """Those with the least choice first."""
    steps = [step for job in question.units[unit].jobs for step in question.jobs[job].steps]
    return min(len(question.slots) - len(question.steps[step].bars) for step in steps)


RANKS: tuple[Rank, ...] = (saves, _few_windows)
