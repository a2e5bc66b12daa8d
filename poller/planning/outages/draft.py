"""A plan being made: what is placed so far, and what stands in the way of one step more."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from datetime import datetime

from poller.planning.outages.question import Bar, Pair, Place, Question


class Draft:
    """where: of each step its place, None while it has none. pilots: family to unit."""

    def __init__(self, question: Question, where: Sequence[Place | None] = ()) -> None:
        self.question = question
        self.where: list[Place | None] = [None] * len(question.steps)
        self.pilots: dict[str, int] = {}
        self._never = question.never
        self._used: dict[Place, int] = defaultdict(int)
        self._out: dict[str, list[int]] = defaultdict(list)  # windows of a relay's steps
        self._unit = question.unit_of()
        self._pairs: dict[str, list[tuple[str, Pair]]] = defaultdict(list)
        for pair in question.pairs:
            self._pairs[pair.one].append((pair.other, pair))
            self._pairs[pair.other].append((pair.one, pair))
        self._families = {family.id: family for family in question.families}
        self._may = {family.id: set(question.pilots(family)) for family in question.families}
        self._places = [question.places(step) for step in range(len(question.steps))]
        given = [(step, place) for step, place in enumerate(where) if place is not None]
        for step, place in given:
            self.put(step, place)
        self._find_pilots(self._unit[question.steps[step].job] for step, _ in given)

    def _find_pilots(self, units: Iterable[int]) -> None:
        """The first of each family that is done: the others were to wait for it."""
        ends = [(end, unit) for unit in set(units) if (end := self.done(unit)) is not None]
        for _, unit in sorted(ends):
            self._pilot(unit)

    def done(self, unit: int) -> datetime | None:
        """The end of the last window that it needs; None: it is not placed."""
        places = [self.where[step] for step in self._steps_of(unit)]
        ends = [self.question.slots[place[0]].end for place in places if place is not None]
        return max(ends) if len(ends) == len(places) else None

    def places_of(self, unit: int) -> list[tuple[int, Place]]:
        """Each of its steps with its place, those before others first."""
        return [
            (step, place)
            for step in self._steps_of(unit)
            if (place := self.where[step]) is not None
        ]

    def cost_of(self, unit: int) -> int:
        """As Question.cost, of one unit."""
        question, cost = self.question, 0
        for number in question.units[unit].jobs:
            job = question.jobs[number]
            last = self.where[job.steps[-1]]
            cost += job.weight * (self._never if last is None else question.slots[last[0]].days)
        return cost

    def _steps_of(self, unit: int) -> list[int]:
        jobs = self.question.units[unit].jobs
        return [step for job in jobs for step in self.question.jobs[job].steps]

    def _pilot(self, unit: int) -> None:
        for job in self.question.units[unit].jobs:
            self.pilots.setdefault(self.question.jobs[job].family, unit)

    def put_unit(self, unit: int) -> bool:
        """The whole unit as early as it goes; else nothing of it, and False."""
        one = self.question.units[unit]
        steps = self._steps_of(unit)
        if one.together:
            common = set.intersection(*({at for at, _ in self._places[step]} for step in steps))
            tries = sorted(common, key=lambda at: (self.question.slots[at].end, at))
            done = any(self._put_all(steps, window) for window in tries)
        else:
            done = self._put_all(steps, None)
        if done:
            self._pilot(unit)
        return done

    def _put_all(self, steps: Sequence[int], window: int | None) -> bool:
        put: list[int] = []
        for step in steps:
            place = self.first(step, window)
            if place is None:
                for one in put:
                    self.take(one)
                return False
            self.put(step, place)
            put.append(step)
        return True

    def first(self, step: int, window: int | None = None) -> Place | None:
        """The first place that nothing bars; window: only in that one."""
        for place in self._places[step]:
            if window in (None, place[0]) and self.bar(step, place) is None:
                return place
        return None

    def take_unit(self, unit: int) -> None:
        """Out of the plan again; who waits for it as a pilot must not be placed yet."""
        for step in self._steps_of(unit):
            self.take(step)
        self.pilots = {family: at for family, at in self.pilots.items() if at != unit}

    def put(self, step: int, place: Place) -> None:
        """One step by itself; nothing may bar it there."""
        one = self.question.steps[step]
        self.where[step] = place
        self._used[place] += one.minutes
        self._out[one.relay].append(place[0])

    def take(self, step: int) -> None:
        """One step by itself out of the plan again."""
        one, place = self.question.steps[step], self.where[step]
        assert place is not None
        self.where[step] = None
        self._used[place] -= one.minutes
        self._out[one.relay].remove(place[0])

    def bar(self, step: int, place: Place) -> Bar | None:
        """What stands in the way of this step there, as the plan is now; None: nothing."""
        return (
            self.question.steps[step].bars.get(place[0])
            or self._order(step, place)
            or self._held(step, place)
            or self._partner(step, place)
            or self._full(step, place)
        )

    def _order(self, step: int, place: Place) -> Bar | None:
        before = self.before(step)
        if before is None:
            return None
        there, one = self.where[before], self.question.steps[before]
        if there is None:
            says = f"the step to {one.to} comes before it, and is not placed"
            return Bar(rule="predecessor", says=says)
        if self.question.follows(there, place):
            return None
        here = self.question.slots[there[0]].id
        return Bar(rule="order", says=f"the step to {one.to} comes before it, in {here}")

    def before(self, step: int) -> int | None:
        """The step of the same relay that comes before it."""
        job = self.question.jobs[self.question.steps[step].job]
        at = job.steps.index(step)
        if at > 0:
            return job.steps[at - 1]
        return None if job.after is None else self.question.jobs[job.after].steps[-1]

    def _held(self, step: int, place: Place) -> Bar | None:
        """By the pilot of its family: one that was there before, one in the plan, or one named."""
        job = self.question.steps[step].job
        name = self.question.jobs[job].family
        family, start = self._families[name], self.question.slots[place[0]].start
        if family.free_from is not None:
            if start >= family.free_from:
                return None
            says = f"the pilot of {name} is held until {family.free_from:%Y-%m-%d}"
            return Bar(rule="hold", says=says)
        pilot = self.pilots.get(name)
        if pilot is None:
            if self._unit[job] in self._may[name]:
                return None
            named = "" if family.named is None else f", {family.named},"
            return Bar(rule="pilot", says=f"the pilot of {name}{named} is not placed")
        if pilot == self._unit[job]:
            return None
        done = self.done(pilot)
        assert done is not None, "a pilot is placed"
        free = done + self.question.hold
        if start >= free:
            return None
        relay = self.question.jobs[self.question.units[pilot].jobs[0]].relay
        says = f"{relay}, the pilot of {name}, is held until {free:%Y-%m-%d}"
        return Bar(rule="hold", says=says)

    def _partner(self, step: int, place: Place) -> Bar | None:
        relay = self.question.steps[step].relay
        for other, pair in self._pairs.get(relay, ()):
            for window in self._out.get(other, ()):
                if pair.clash(self.question, place[0], window):
                    hours = pair.soak.total_seconds() / 3600
                    says = f"{other}, which stands in for it, is out in " + (
                        f"{self.question.slots[window].id} ({hours:g} h between them)"
                    )
                    return Bar(rule="partner", says=says)
        return None

    def _full(self, step: int, place: Place) -> Bar | None:
        left = self.question.slots[place[0]].minutes - self._used[place]
        need = self.question.steps[step].minutes
        if need <= left:
            return None
        return Bar(rule="full", says=f"the crew has {left} min left, the work takes {need} min")
