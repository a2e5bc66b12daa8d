"""A plan made better in small steps: what is in some windows is taken out and put in again, in
another order. Pilots stay where they are. The same plan always becomes the same.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from poller.planning.outages.draft import Draft
from poller.planning.outages.greedy import Where, saves, stage
from poller.planning.outages.question import Question

ROUNDS_MAX: Final = 5_000  # some seconds for a thousand steps
AT_ONCE_MAX: Final = 30  # units taken out in a round: those of a handful of windows


def improve(question: Question, where: Where, rounds: int = ROUNDS_MAX) -> Where:
    """Never worse. where: a plan that keeps every rule."""
    draft = Draft(question, where)
    found = _Search(draft)
    for _ in range(min(rounds, 20 * len(question.units))):
        found.round()
    return tuple(draft.where)


class _Search:
    def __init__(self, draft: Draft) -> None:
        question = draft.question
        self._draft, self._chance = draft, _numbers()
        self._stay = self._pilots()
        self._later = _later(question)
        self._stage = [stage(question, unit) for unit in range(len(question.units))]
        self._saves = [saves(question, unit) for unit in range(len(question.units))]
        self._in: list[list[int]] = [[] for _ in question.slots]  # units that may be there
        for unit in range(len(question.units)):
            steps = (step for job in question.units[unit].jobs for step in question.jobs[job].steps)
            for window in {at for step in steps for at, _ in question.places(step)}:
                self._in[window].append(unit)
        self._windows = [at for at, units in enumerate(self._in) if units]

    def round(self) -> None:
        if not self._windows:
            return
        draft, window = self._draft, self._windows[self._draw(len(self._windows))]
        out = self._taken(window)
        places = {unit: draft.places_of(unit) for unit in out if draft.done(unit) is not None}
        before = sum(map(draft.cost_of, out))
        for unit in sorted(places, key=lambda one: -self._stage[one]):
            draft.take_unit(unit)
        order = sorted(out, key=lambda one: (self._stage[one], self._rank(one)))
        put = [unit for unit in order if draft.put_unit(unit)]
        if sum(map(draft.cost_of, out)) > before:
            for unit in reversed(put):
                draft.take_unit(unit)
            for unit in sorted(places, key=lambda one: self._stage[one]):
                for step, place in places[unit]:
                    draft.put(step, place)
        else:
            self._stay = self._pilots()  # a family may have had none

    def _pilots(self) -> set[int]:
        """Those for whose hold others wait."""
        waiting = {one.id for one in self._draft.question.families if one.free_from is None}
        return {unit for family, unit in self._draft.pilots.items() if family in waiting}

    def _taken(self, window: int) -> list[int]:
        """Some of those that are in the window or could be, each with what comes after it."""
        some = list(self._in[window])
        while len(some) > AT_ONCE_MAX:
            some.pop(self._draw(len(some)))
        found: dict[int, None] = {}
        for unit in some:
            bound = [unit, *self._later[unit]]
            if not self._stay.intersection(bound):
                found.update(dict.fromkeys(bound))
        return list(found)

    def _rank(self, unit: int) -> float:
        """As greedily, a little shaken."""
        return self._saves[unit] * (500 + self._draw(1_000))

    def _draw(self, below: int) -> int:
        return next(self._chance) % below


def _later(question: Question) -> list[list[int]]:
    """Of each unit those that hold a later firmware of one of its relays."""
    unit_of = question.unit_of()
    found: list[list[int]] = [[] for _ in question.units]
    for number, job in enumerate(question.jobs):
        before = job.after
        while before is not None:
            if unit_of[before] != unit_of[number]:
                found[unit_of[before]].append(unit_of[number])
            before = question.jobs[before].after
    return found


def _numbers() -> Iterator[int]:
    """Numbers without a visible order, always the same: Knuth's MMIX generator (from memory)."""
    at = 1
    while True:
        at = (at * 6_364_136_223_846_793_005 + 1_442_695_040_888_963_407) % 2**64
        yield at >> 33
