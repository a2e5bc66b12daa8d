"""The rules of protection groups against what is planned.

A rule that is broken says so and how to mend it; a person can decide against it, with a reason.
Nothing here knows whether a relay would trip.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import chain

from poller.model import limits, text
from poller.model.nameplate import Nameplate
from poller.model.standing import State, shown
from poller.model.work import ENDED, Plan, Work, WorkState, by_number
from poller.site.settings import LineEnds, ProtectionGroup, Redundant, SharedZone, Site
from poller.work.against_plan import same


@dataclass(frozen=True, slots=True, kw_only=True)
class Broken:
    """rule: GROUP.together, .soak, .outage, .versions or .decision; says and cure: a sentence."""

    rule: str
    says: str
    cure: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Out:
    """A relay that is out for work, has been or will be. name: of the work; None: not entered."""

    plan: Plan
    start: datetime
    end: datetime
    name: str | None = None
    over: bool = False

    def __str__(self) -> str:
        work = "this work" if self.name is None else self.name
        return f"{work} on {self.plan.relay}, {_told(self.start)} to {_told(self.end)}"

    def meets(self, other: Out) -> bool:
        return self.start < other.end and other.start < self.end


def broken(plans: Sequence[Plan], state: State, site: Site) -> tuple[Broken, ...]:
    """Every rule that these plans break, against one another and against work on record.

    plans: not yet entered, or of work that is; the site's groups in the order of its file.
    """
    new = [Out(plan=plan, start=plan.start, end=plan.end) for plan in plans]
    known = [
        _out(state.works[name])
        for name in sorted(state.works, key=by_number)
        if state.works[name].state is not WorkState.CANCELLED
        and state.works[name].plan not in plans
    ]
    found: list[Broken] = []
    for name, group in site.file.protection_groups.items():
        for one in new:
            if one.plan.relay not in group.members:
                continue
            others = [
                other
                for other in (*new, *known)
                if other.plan.relay in group.members and other.plan.relay != one.plan.relay
            ]
            found += _of(name, group, one, others, state, site)
    return tuple(dict.fromkeys(found))


def groups_of(site: Site, relay: str) -> tuple[tuple[str, ProtectionGroup], ...]:
    """The groups that a relay is in, each with its name."""
    groups = site.file.protection_groups.items()
    return tuple((name, group) for name, group in groups if relay in group.members)


def partners(site: Site, relay: str) -> tuple[str, ...]:
    """Relays that stand in for this one while it is out, each once."""
    members = (g.members for _, g in groups_of(site, relay) if isinstance(g, Redundant))
    return tuple(dict.fromkeys(one for one in chain.from_iterable(members) if one != relay))


def _of(
    name: str, group: ProtectionGroup, one: Out, others: list[Out], state: State, site: Site
) -> Iterator[Broken]:
    match group:
        case Redundant():
            for other in others:
                yield from _redundant(name, group, one, other)
        case LineEnds():
            coming = [other for other in others if not other.over]
            yield from _outages(name, one, coming)
            yield from _versions(name, group, one, coming, state, site)
        case SharedZone():
            members = several(member for member in group.members if member != one.plan.relay)
            yield Broken(
                rule=f"{name}.decision",
                says=f"{one.plan.relay} acts for one zone together with {members} ({name}): "
                "whether it may be out is for a person to decide",
                cure="decide it with who operates the zone, and say why the work is done",
            )


def _out(work: Work) -> Out:
    """As it was, as far as it has come; else as it is planned. Another try is within the window."""
    start = work.started_at or work.plan.start
    end = work.ended_at or work.plan.end
    if work.state not in ENDED | {WorkState.VERIFIED}:
        end = max(end, work.plan.end)
    return Out(
        plan=work.plan, start=start, end=max(start, end), name=work.id, over=work.state in ENDED
    )


def _redundant(name: str, group: Redundant, one: Out, other: Out) -> Iterator[Broken]:
    """Never out together, and so many hours between the end of one and the start of the other."""
    first, then = _in_order(one, other)
    if one.meets(other):
        yield Broken(
            rule=f"{name}.together",
            says=f"{first.plan.relay} and {then.plan.relay} stand in for one another ({name}) and "
            f"would be out together: {first}; {then}",
            cure="give each a window of its own, one after the other",
        )
    elif then.start - first.end < timedelta(hours=group.soak_h):
        yield Broken(
            rule=f"{name}.soak",
            says=f"{then.plan.relay} would be out less than {group.soak_h} h after "
            f"{first.plan.relay}, which stands in for it ({name}): {first}; {then}",
            cure=f"leave {group.soak_h} h after the end of the first, in which it shows what it "
            "does",
        )


def _in_order(one: Out, other: Out) -> tuple[Out, Out]:
    """The same whichever of them is looked at, so that it is told once."""
    first, then = sorted((one, other), key=lambda out: (out.start, out.end, out.plan.relay))
    return first, then


def _outages(name: str, one: Out, coming: list[Out]) -> Iterator[Broken]:
    """The line is without this protection while either end is out: once is enough."""
    for other in coming:
        if not one.meets(other):
            first, then = _in_order(one, other)
            yield Broken(
                rule=f"{name}.outage",
                says=f"{first.plan.relay} and {then.plan.relay} are two ends of one line ({name}) "
                f"and would be out one after the other: {first}; {then}",
                cure="give both ends the same window: one outage for both",
            )


def _versions(
    name: str, group: LineEnds, one: Out, coming: list[Out], state: State, site: Site
) -> Iterator[Broken]:
    """What each other end will run, against what this end will."""
    plate = _nameplate(state, one.plan.relay)
    mine = one.plan.expects.get("swRev") or (plate.swRev if plate else None)
    for member in group.members:
        if member == one.plan.relay:
            continue
        versions: list[str | None] = [
            o.plan.expects["swRev"] for o in coming if _changes(o, member)
        ]
        if not versions and "swRev" in one.plan.expects:
            present = _nameplate(state, member)
            versions = [present.swRev if present else None]
        for theirs in versions:
            if not _fit(group, plate, mine, theirs, site):
                ends = {one.plan.relay: mine, member: theirs}
                in_order = {end: ends[end] for end in group.members if end in ends}
                yield _misfit(name, in_order, END_HERE)
    if group.far is not None and "swRev" in one.plan.expects:
        far = f"{group.far.relay} in {group.far.substation}"
        if not _fit(group, plate, mine, group.far.version, site):
            ends = {one.plan.relay: mine, far: group.far.version}
            yield _misfit(name, ends, END_FAR)


END_HERE = "plan the other end with it, in the same outage, to a version of a pair"
END_FAR = (
    "agree one outage for both ends with that substation, and write the version that the far end "
    "is to have into the site file; or say why the work is done before"
)


def _misfit(name: str, ends: dict[str, str | None], cure: str) -> Broken:
    """ends: the two, each with the firmware that it will run."""
    unknown = [end for end, version in ends.items() if version is None]
    if unknown:
        says = (
            f"nobody knows which firmware {several(map(short, unknown))} will run, so that it "
            f"can't be said whether the two ends of the line ({name}) will work together"
        )
        cure = "read it, or enter what the front panel says"
    else:
        told = " and ".join(f"{short(v or '')} at {short(end)}" for end, v in ends.items())
        says = f"{told} are no pair of versions that work together ({name})"
    return Broken(rule=f"{name}.versions", says=says, cure=cure)


def _changes(out: Out, relay: str) -> bool:
    return out.plan.relay == relay and "swRev" in out.plan.expects


def _nameplate(state: State, relay: str) -> Nameplate | None:
    known = state.relays.get(relay)
    return None if known is None else shown(known)


def _fit(
    group: LineEnds, plate: Nameplate | None, one: str | None, other: str | None, site: Site
) -> bool:
    """Whether two versions are a pair, either way round, however they are spelled."""
    if one is None or other is None:
        return False

    def alike(version: str, listed: str) -> bool:
        if plate is None:
            return version == listed
        return same(site, plate, "swRev", version, listed)

    return any(
        (alike(one, pair[0]) and alike(other, pair[1]))
        or (alike(one, pair[1]) and alike(other, pair[0]))
        for pair in group.pairs
    )


def several(names: Iterable[str]) -> str:
    """a and b; a, b, c, d and 3 more."""
    found = list(names)
    told, more = found[: limits.SENTENCE_CHANGES_MAX], len(found) - limits.SENTENCE_CHANGES_MAX
    if more > 0:
        return f"{', '.join(told)} and {more} more"
    return " and ".join(filter(None, (", ".join(told[:-1]), *told[-1:])))


def short(words: str) -> str:
    """Text of a device or a file as it stands in a sentence."""
    return text.shown(words, most=limits.SENTENCE_TEXT_MAX)


def _told(at: datetime) -> str:
    return f"{at:%Y-%m-%d %H:%M} UTC"
