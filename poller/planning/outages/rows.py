"""A question as rows of 0 and 1 for OR-Tools CP-SAT; needs the extra `plan`.

x[step][place]: the step is there. A unit is placed whole, so that the sum of each of its steps over
all places is one and the same 0 or 1. Every variable is given its value in a plan that is known.
"""

from __future__ import annotations

from collections import defaultdict
from itertools import pairwise
from typing import TypeAlias

from ortools.sat.python import cp_model

from poller.planning.outages.draft import Draft
from poller.planning.outages.greedy import Where
from poller.planning.outages.question import Family, Pair, Place, Question

Bool: TypeAlias = cp_model.IntVar


class Rows:
    """hint: a plan that keeps every rule, from which the search starts."""

    def __init__(self, question: Question, hint: Where) -> None:
        self.model = cp_model.CpModel()
        self._question, self._hint = question, hint
        self._hints: dict[int, bool] = {}
        self._pilots = Draft(question, hint).pilots
        self._x = [
            {place: self._bool(place == hint[step]) for place in question.places(step)}
            for step in range(len(question.steps))
        ]
        self._of: dict[str, list[int]] = defaultdict(list)
        for at, step in enumerate(question.steps):
            self._of[step.relay].append(at)
        self._out: dict[tuple[str, int], Bool] = {}
        self._placed = [self._unit(at) for at in range(len(question.units))]
        self._minutes()
        self._order()
        for family in question.families:
            if family.free_from is None:
                self._hold(family)
            else:
                self._held(family)
        for pair in question.pairs:
            self._pair(pair)
        self._objective()

    def where(self, solver: cp_model.CpSolver) -> Where:
        return tuple(
            next((place for place, var in vars_.items() if solver.value(var)), None)
            for vars_ in self._x
        )

    def _bool(self, hint: bool) -> Bool:
        var = self.model.new_bool_var("")
        self.model.add_hint(var, hint)
        self._hints[var.index] = hint
        return var

    def _in(self, step: int, window: int) -> list[Bool]:
        return [var for (at, _), var in self._x[step].items() if at == window]

    def _unit(self, at: int) -> Bool:
        """Whether it is placed."""
        unit = self._question.units[at]
        steps = [step for job in unit.jobs for step in self._question.jobs[job].steps]
        placed = self._bool(self._hint[steps[0]] is not None)
        for step in steps:
            self.model.add(sum(self._x[step].values()) == placed)
        for one, other in pairwise(steps) if unit.together else ():
            for window in {at for step in (one, other) for at, _ in self._x[step]}:
                self.model.add(sum(self._in(one, window)) == sum(self._in(other, window)))
        return placed

    def _minutes(self) -> None:
        loads: dict[Place, list[tuple[int, Bool]]] = defaultdict(list)
        for step, vars_ in zip(self._question.steps, self._x, strict=True):
            for place, var in vars_.items():
                loads[place].append((step.minutes, var))
        for (window, _), load in loads.items():
            most = self._question.slots[window].minutes
            if sum(minutes for minutes, _ in load) > most:
                self.model.add(sum(minutes * var for minutes, var in load) <= most)

    def _order(self) -> None:
        for job in self._question.jobs:
            chain = list(job.steps)
            if job.after is not None:
                chain.insert(0, self._question.jobs[job.after].steps[-1])
            for before, then in pairwise(chain):
                for place, var in self._x[then].items():
                    early = [
                        one
                        for there, one in self._x[before].items()
                        if self._question.follows(there, place)
                    ]
                    self.model.add(sum(early) >= var)

    def _held(self, family: Family) -> None:
        """By a pilot that was there before this plan."""
        for job in self._question.jobs:
            for step in job.steps if job.family == family.id else ():
                for (window, _), var in self._x[step].items():
                    start = self._question.slots[window].start
                    if family.free_from is not None and start < family.free_from:
                        self.model.add(var == 0)

    def _hold(self, family: Family) -> None:
        """done[unit, window]: it is the pilot, and done there. At most one of them is."""
        question = self._question
        ours: dict[int, list[int]] = defaultdict(list)
        for at, unit in enumerate(question.units):
            for job in unit.jobs:
                if question.jobs[job].family == family.id:
                    ours[at].append(job)
        done: dict[int, list[Bool]] = defaultdict(list)  # by window
        itself: dict[int, Bool] = {}  # by unit: it is the pilot
        for at in question.pilots(family):
            last = question.jobs[ours[at][-1]].steps[-1]
            mine: list[Bool] = []
            for window in sorted({window for window, _ in self._x[last]}):
                there = self._hint[last]
                is_pilot = self._pilots.get(family.id) == at
                var = self._bool(is_pilot and there is not None and there[0] == window)
                self.model.add(sum(self._in(last, window)) >= var)
                done[window].append(var)
                mine.append(var)
            itself[at] = self._bool(any(map(self._value, mine)))
            self.model.add(sum(mine) == itself[at])
        self.model.add_at_most_one(itself.values())
        over = self._over(done)
        for at, jobs in ours.items():
            for job in jobs:
                for (window, _), var in self._x[question.jobs[job].steps[0]].items():
                    self.model.add_bool_or(
                        over[window], ~var, *([itself[at]] if at in itself else [])
                    )

    def _over(self, done: dict[int, list[Bool]]) -> dict[int, Bool]:
        """Of each window, whether a pilot's hold is over when it begins: once over, always."""
        slots, hold = self._question.slots, self._question.hold
        freed = sorted((slots[window].end + hold, window) for window in done)
        found: dict[int, Bool] = {}
        before, used = self._bool(False), 0
        self.model.add(before == 0)
        for at, slot in enumerate(slots):  # by their start
            new = [window for end, window in freed[used:] if end <= slot.start]
            if new:
                used += len(new)
                vars_ = [var for window in new for var in done[window]]
                hinted = any(self._value(var) for var in (before, *vars_))
                over = self._bool(hinted)
                self.model.add(before + sum(vars_) == over)
                before = over
            found[at] = before
        return found

    def _value(self, var: Bool) -> bool:
        """As it was hinted."""
        return bool(self._hints[var.index])

    def _outage(self, relay: str, window: int) -> Bool | None:
        """Whether a relay is out in a window; None: none of its steps may be there."""
        if (relay, window) not in self._out:
            here = [var for step in self._of[relay] for var in self._in(step, window)]
            if not here:
                return None
            out = here[0]
            if len(here) > 1:
                out = self._bool(any(self._value(var) for var in here))
                for var in here:
                    self.model.add_implication(var, out)
            self._out[relay, window] = out
        return self._out[relay, window]

    def _pair(self, pair: Pair) -> None:
        windows = range(len(self._question.slots))
        others = {at: out for at in windows if (out := self._outage(pair.other, at)) is not None}
        for window in windows:
            one = self._outage(pair.one, window)
            if one is None:
                continue
            for at, other in others.items():
                if pair.clash(self._question, window, at):
                    self.model.add_at_most_one(one, other)

    def _objective(self) -> None:
        question, terms = self._question, []
        for unit, placed in zip(question.units, self._placed, strict=True):
            for number in unit.jobs:
                job = question.jobs[number]
                terms.append(job.weight * question.never * (1 - placed))
                for (window, _), var in self._x[job.steps[-1]].items():
                    terms.append(job.weight * question.slots[window].days * var)
        self.model.minimize(sum(terms))
