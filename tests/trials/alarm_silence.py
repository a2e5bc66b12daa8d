"""What silent relays have in common: one by one, one gateway, or one network, by the issue.

A relay counts as going with others by its last answer, and it gives one an interval; so which of
them went together can be said for sure only where even the strictest reading agrees with the
loosest.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise, product

from poller.model.alarms import Cause
from poller.site.shipped_alarms import catalogue_of
from tests.trials.alarm_courses import Course, Facts
from tests.trials.alarm_times import LOOK_S, TOL_S, Part, common


@dataclass(frozen=True, slots=True, kw_only=True)
class Gone:
    """A relay that was silent. last: its last answer. by_work, perhaps: when work made it so."""

    relay: str
    part: Part
    last: float
    by_work: list[Part]
    perhaps: list[Part]


def silence(facts: Facts) -> Iterator[tuple[str, Course]]:
    """The course of every alarm of silence, by alarm."""
    catalogue = catalogue_of(facts.times.ran.drawn.site)
    gone = [one for relay in facts.relays for one in _gone(facts, relay)]
    alone, behind, many = (
        {relay: Course(entry) for entry in catalogue.of(Cause.SILENT) for relay in facts.relays},
        {place: Course(entry) for entry in catalogue.of(Cause.GATEWAY_SILENT)
         for place in _shared(facts)},
        [Course(entry) for entry in catalogue.of(Cause.MANY_SILENT)],
    )  # fmt: skip
    for part in _pieces(facts, gone):
        readings = [
            _told(facts, part[0], gone, loose=loose, by_work=by_work)
            for loose, by_work in product((False, True), repeat=2)
        ]
        for relay, course in alone.items():
            said = [relay in one.alone for one in readings]
            if any(said):
                course.add(part, "does not answer", sure=all(said))
        for place, course in behind.items():
            said = [place in one.gateways for one in readings]
            if any(said):
                course.add(part, "relays behind", sure=all(said))
        for course in many:
            if any(one.many for one in readings):
                course.add(part, "fell silent together", sure=all(one.many for one in readings))
    for course in (*alone.values(), *behind.values(), *many):
        course.seen_s = LOOK_S  # what they have in common may change with none of their events
    for relay, course in alone.items():
        for one in gone:
            if one.relay == relay:
                course.cover(one.by_work, sure=True)
                course.cover(one.perhaps, sure=False)
        if behind and any(relay in names for names in _shared(facts).values()):
            course.later_s = facts.status_s(relay)
        yield f"{relay}.{course.entry.id}", course
    for place, course in behind.items():
        yield f"{place}.{course.entry.id}", course
    for course in many:
        yield f"network.{course.entry.id}", course


def _gone(facts: Facts, relay: str) -> Iterator[Gone]:
    interval_s = facts.status_s(relay)
    for part, body in facts.stood(relay, "relay_silent", "relay_answering"):
        last = part[0]
        if body.last_answer_at is not None:
            last = facts.times.read(body.last_answer_at, part[0])
        by_work: list[Part] = []
        perhaps: list[Part] = []
        for job in facts.jobs[relay]:
            after_s = facts.since_begun(job, body.last_answer_at, part[0])
            cover = common([part], facts.covering(job))
            if after_s is not None and after_s > -interval_s:
                by_work += cover
            elif after_s is None or after_s > -2 * interval_s - TOL_S:
                perhaps += cover
        yield Gone(relay=relay, part=part, last=last, by_work=by_work, perhaps=perhaps)


def _shared(facts: Facts) -> dict[str, list[str]]:
    """Relays behind one address, by what alarms call it."""
    found: dict[str, list[str]] = defaultdict(list)
    for entry in facts.times.ran.drawn.site.file.relays:
        found[f"gateway-{entry.host.replace('.', '-')}-{entry.port}"].append(entry.id)
    return {place: names for place, names in found.items() if len(names) > 1}


def _pieces(facts: Facts, gone: list[Gone]) -> Iterator[Part]:
    """Times between which nothing changes of who is silent, worked on, or covered."""
    cuts = {at for one in gone for at in one.part}
    cuts |= {at for one in gone for part in (*one.by_work, *one.perhaps) for at in part}
    cuts |= {at for relay in facts.relays for part in facts.worked_on(relay) for at in part}
    return pairwise(sorted(cuts))


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    alone: set[str]
    gateways: set[str]
    many: set[str]


def _told(facts: Facts, at: float, gone: list[Gone], *, loose: bool, by_work: bool) -> Reading:
    """loose: who may have gone together did. by_work: what work may have caused it did."""
    now = {one.relay: one for one in gone if one.part[0] <= at < one.part[1]}
    own = {
        relay
        for relay, one in now.items()
        for a, b in [*one.by_work, *(one.perhaps if by_work else ())]
        if a <= at < b
    }
    resting = {relay for relay in facts.relays for a, b in facts.worked_on(relay) if a <= at < b}
    catalogue = catalogue_of(facts.times.ran.drawn.site)
    gateways: dict[str, list[str]] = {}
    if catalogue.first(Cause.GATEWAY_SILENT) is not None:
        for place, names in _shared(facts).items():
            asked = [one for one in names if one not in own and (one in now or one not in resting)]
            if len(asked) > 1 and all(one in now for one in asked):
                gateways[place] = asked
    inside = {name for names in gateways.values() for name in names}
    units = [*gateways.values(), *([one] for one in now if one not in inside | own)]
    limit = catalogue.many_silent
    many: set[str] = set()
    if catalogue.first(Cause.MANY_SILENT) is not None:
        dated = sorted((max(now[one].last for one in names), names) for names in units)
        many = _together(facts, dated, limit.more_than, limit.within_s, loose=loose)
    left = {place for place, names in gateways.items() if not many.issuperset(names)}
    return Reading(alone=now.keys() - many - inside, gateways=left, many=many)


def _together(
    facts: Facts,
    units: list[tuple[float, list[str]]],
    more_than: int,
    within_s: float,
    *,
    loose: bool,
) -> set[str]:
    """Relays of more units than that whose last answers lie within so long of each other."""
    found: set[str] = set()
    for number in range(len(units) - more_than):
        first, last = units[number][0], units[number + more_than][0]
        room_s = TOL_S if loose else -TOL_S
        set_between = facts.times.set_between(units[0][0], units[-1][0])
        if set_between and loose:
            return {name for _, names in units for name in names}
        if last - first > within_s + room_s or set_between:
            continue
        interval_s = max(facts.status_s(name) for _, names in units for name in names)
        before_s = interval_s + TOL_S if loose else 0
        found |= {name for at, names in units if first - before_s <= at <= last for name in names}
    return found
