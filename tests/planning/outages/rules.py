"""What every plan must keep, written from the issue and the outages file's words, and all plans of
a small question tried one by one. Nothing of what makes plans is used here."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from itertools import combinations, product

from poller.planning.outages.question import Job, Place, Question

Where = tuple[Place | None, ...]


def faults(question: Question, where: Where) -> Iterator[str]:
    """Each rule that is broken, in a few words."""
    yield from _where_they_may(question, where)
    yield from _whole(question, where)
    yield from _minutes(question, where)
    yield from _in_order(question, where)
    yield from _partners(question, where)
    for family in question.families:
        yield from _pilot(question, where, family.id)


def _where_they_may(question: Question, where: Where) -> Iterator[str]:
    for number, place in enumerate(where):
        if place is not None:
            if place[0] in question.steps[number].bars:
                yield f"step {number} is in a window that is barred"
            if not 0 <= place[1] < question.slots[place[0]].teams:
                yield f"step {number} has a team that is not there"


def _whole(question: Question, where: Where) -> Iterator[str]:
    for number, unit in enumerate(question.units):
        places = [where[step] for job in unit.jobs for step in question.jobs[job].steps]
        if None in places and any(place is not None for place in places):
            yield f"unit {number} is placed in part"
        if unit.together and len({place[0] for place in places if place is not None}) > 1:
            yield f"the ends of a line, unit {number}, are not in one window"


def _minutes(question: Question, where: Where) -> Iterator[str]:
    for place in {place for place in where if place is not None}:
        here = [s.minutes for s, p in zip(question.steps, where, strict=True) if p == place]
        if sum(here) > question.slots[place[0]].minutes:
            yield f"the crew of {place} has not so many minutes"


def _in_order(question: Question, where: Where) -> Iterator[str]:
    """All steps of a relay follow one another: in one team's hands, or windows apart."""
    for relay in {step.relay for step in question.steps}:
        chain = [number for number, step in enumerate(question.steps) if step.relay == relay]
        for before, then in combinations(chain, 2):
            one, other = where[before], where[then]
            if other is None:
                continue
            if one is None:
                yield f"step {then} has no step before it"
            elif one != other and question.slots[one[0]].end > question.slots[other[0]].start:
                yield f"step {then} is not after step {before}"


def _partners(question: Question, where: Where) -> Iterator[str]:
    for pair in question.pairs:
        for one, other in product(_windows(question, where, pair.one),
                                  _windows(question, where, pair.other)):  # fmt: skip
            first, then = sorted((one, other), key=lambda w: question.slots[w].start)
            gap = question.slots[then].start - question.slots[first].end
            if one == other and one in pair.both_in:
                continue
            if gap < timedelta(0) or gap < pair.soak:
                yield f"{pair.one} and {pair.other} are out in {one} and {other}"


def _windows(question: Question, where: Where, relay: str) -> set[int]:
    steps = zip(question.steps, where, strict=True)
    return {place[0] for step, place in steps if place is not None and step.relay == relay}


def _pilot(question: Question, where: Where, name: str) -> Iterator[str]:
    family = next(one for one in question.families if one.id == name)
    placed = {}  # unit to the windows of its steps of this family, in which it is out at all
    for number, unit in enumerate(question.units):
        jobs = [question.jobs[job] for job in unit.jobs]
        windows = [w for job in jobs if job.family == name for w in _of_job(job, where)]
        if windows:
            placed[number] = windows
    slots = question.slots
    if family.free_from is not None:
        for number, windows in placed.items():
            if min(slots[w].start for w in windows) < family.free_from:
                yield f"unit {number} is before the end of a pilot's hold that was there"
        return

    def can_be(number: int) -> bool:
        relays = {question.jobs[job].relay for job in question.units[number].jobs}
        free = max(slots[w].end for w in placed[number]) + question.hold
        others = [w for other, ws in placed.items() if other != number for w in ws]
        named = family.named is None or family.named in relays
        # small questions have no more units than may be chosen of
        return named and all(slots[w].start >= free for w in others)

    if placed and not any(map(can_be, placed)):
        yield f"family {name} has no pilot for which the others wait"


def _of_job(job: Job, where: Where) -> list[int]:
    return [place[0] for step in job.steps if (place := where[step]) is not None]


def cheapest(question: Question) -> int:
    """The cost of the best of all plans there are."""
    ways = [(None, *product(range(len(question.slots)), range(_teams(question))))] * len(
        question.steps
    )
    return min(
        question.cost(where)
        for where in product(*ways)
        if next(faults(question, where), None) is None
    )


def _teams(question: Question) -> int:
    return max(slot.teams for slot in question.slots)
