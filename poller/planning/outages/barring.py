"""Why a step can't go into a window, whatever else is planned. The rules in their order; the first
that holds is told, so that the furthest of them is what stands in the way most nearly.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from poller.model.nameplate import flat
from poller.model.standing import State
from poller.model.standing import shown as present
from poller.model.work import ENDED, Plan, WorkKind
from poller.planning.due import Course
from poller.planning.outages.question import Bar, Slot
from poller.planning.outages.shape import OutageFile
from poller.site.approved import Step
from poller.site.settings import LineEnds, ProtectionGroup, SharedZone, Site
from poller.work import groups


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """A step that is looked for a window. by: the end of its last day, and why."""

    relay: str
    bay: str
    course: Course
    step: Step
    minutes: int
    by: tuple[datetime, str] | None


class Barring:
    def __init__(
        self,
        slots: tuple[Slot, ...],
        state: State,
        site: Site,
        outages: OutageFile,
        goes: Mapping[tuple[str, str], str],
        now: datetime,
    ) -> None:
        """goes: the target of each firmware of which a step is planned too."""
        self._slots, self._state, self._site = slots, state, site
        self._goes, self._now = goes, now
        self._fixed = {(one.relay, one.to): one.window for one in outages.fixed}
        barred = [(one, window) for one in outages.forbidden for window in one.windows]
        self._forbidden = {(one.relay, window) for one, window in barred}
        self._forbidden_of = {(one.family, window) for one, window in barred}
        self._groups: dict[str, list[str]] = {}
        self._zones: dict[str, list[str]] = {}
        for name, group in site.file.protection_groups.items():
            for member in group.members:
                self._groups.setdefault(member, []).append(name)
                if isinstance(group, SharedZone):
                    self._zones.setdefault(member, []).append(name)
        open_works = [work for work in state.works.values() if work.state not in ENDED]
        busy = {work.plan.relay for work in open_works}
        groups_ = site.file.protection_groups.values()
        # only their partners meet work that is planned already
        self._meets = {name for g in groups_ if busy & set(g.members) for name in g.members}

    def of(self, want: Wanted) -> dict[int, Bar]:
        """Of each window that can't be, by its index."""
        found = {}
        for at, slot in enumerate(self._slots):
            bar = next((bar for rule in RULES if (bar := rule(self, want, slot))), None)
            if bar is not None:
                found[at] = bar
        misfit = self._versions(want) if len(found) < len(self._slots) else None
        if misfit is not None:
            found = {at: found.get(at, misfit) for at in range(len(self._slots))}
        return found

    def _past(self, want: Wanted, slot: Slot) -> Bar | None:
        if slot.start >= self._now:
            return None
        return Bar(rule="past", says="it has begun already")

    def _bay(self, want: Wanted, slot: Slot) -> Bar | None:
        if want.bay in slot.bays or slot.groups & set(self._groups.get(want.relay, ())):
            return None
        return Bar(rule="bay", says=f"neither bay {want.bay} nor a group of the relay is out")

    def _zone(self, want: Wanted, slot: Slot) -> Bar | None:
        undecided = [one for one in self._zones.get(want.relay, ()) if one not in slot.groups]
        if not undecided:
            return None
        says = f"it acts for the zone {undecided[0]}, and nobody has named that among its groups"
        return Bar(rule="decision", says=says)

    def _length(self, want: Wanted, slot: Slot) -> Bar | None:
        whole = (slot.end - slot.start) // timedelta(minutes=1)
        if want.minutes > whole:
            return Bar(rule="length", says=f"too short: {want.minutes} min of work, {whole} min")
        if want.minutes > slot.minutes:
            says = f"the crew has {slot.minutes} min each, the work takes {want.minutes} min"
            return Bar(rule="crew", says=says)
        return None

    def _choice(self, want: Wanted, slot: Slot) -> Bar | None:
        fixed = self._fixed.get((want.relay, want.step.to)) or self._fixed.get((want.relay, None))
        if fixed not in (None, slot.id):
            return Bar(rule="fixed", says=f"it is fixed to {fixed}")
        if (want.relay, slot.id) in self._forbidden or (
            (want.course.rule.id, slot.id) in self._forbidden_of
        ):
            return Bar(rule="forbidden", says="it is forbidden")
        return None

    def _deadline(self, want: Wanted, slot: Slot) -> Bar | None:
        if want.by is None or slot.end <= want.by[0]:
            return None
        return Bar(rule="deadline", says=f"it ends too late: {want.by[1]}")

    def _known_work(self, want: Wanted, slot: Slot) -> Bar | None:
        """What a partner's planned work leaves, by the rules that `work add` holds to."""
        if want.relay not in self._meets:
            return None
        for one in groups.broken([self._plan(want, slot)], self._state, self._site):
            if one.rule.rpartition(".")[2] in ("together", "soak", "outage"):
                return Bar(rule="planned-work", says=one.says)
        return None

    def _versions(self, want: Wanted) -> Bar | None:
        """Whether a line's ends work together after the last step; ends here go together."""
        ends = [
            (name, group)
            for name, group in groups.groups_of(self._site, want.relay)
            if isinstance(group, LineEnds)
        ]
        if not ends or want.course.attribute != "swRev" or want.step.to != want.course.target:
            return None
        plans = [self._plan(want, self._slots[0])]
        for one in groups.broken(plans, self._state, self._site):
            name, _, rule = one.rule.rpartition(".")
            group = self._site.file.protection_groups[name]
            if rule == "versions" and not self._mate_goes_too(want, group):
                return Bar(rule="versions", says=one.says)
        return None

    def _mate_goes_too(self, want: Wanted, group: ProtectionGroup) -> bool:
        """Every other end here gets its own step in the same window, and the targets are a pair."""
        assert isinstance(group, LineEnds)
        fits = set(_with(group, want.course.target))
        ends = [name for name in group.members if name != want.relay]
        versions = [self._goes.get((name, "swRev")) for name in ends]
        if group.far is not None:
            versions.append(group.far.version)
        return bool(ends) and fits.issuperset(versions)

    def _plan(self, want: Wanted, slot: Slot) -> Plan:
        plate = present(self._state.relays[want.relay])
        return Plan(
            relay=want.relay,
            kind=WorkKind(want.step.direction),
            expects={want.course.attribute: want.step.to},
            before={} if plate is None else flat(plate),
            start=slot.start,
            end=slot.end,
            zone="UTC",
        )


def _with(group: LineEnds, version: str) -> Iterator[str]:
    """What works with a version, as the group's pairs have it."""
    for one, other in group.pairs:
        if version in (one, other):
            yield other if version == one else one


RULES: Final[tuple[Callable[[Barring, Wanted, Slot], Bar | None], ...]] = (
    Barring._past,
    Barring._bay,
    Barring._zone,
    Barring._length,
    Barring._choice,
    Barring._deadline,
    Barring._known_work,
)
