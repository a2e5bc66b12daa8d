"""Work that is planned: one piece for each relay, or why it can't be."""

from __future__ import annotations

from datetime import datetime
from typing import Final, TypeAlias

from poller.model import limits
from poller.model.canonical import whole_ms
from poller.model.events import Body, RuleOverridden, WorkAdded
from poller.model.nameplate import Nameplate, flat
from poller.model.near import unlisted
from poller.model.refusal import Refusal
from poller.model.standing import State, shown
from poller.model.work import ENDED, Plan, WorkKind
from poller.site.settings import Site
from poller.work import groups, window
from poller.work.against_plan import deciding, same
from poller.work.groups import Broken
from poller.work.objections import unless
from poller.work.requests import AddWork

Decided: TypeAlias = list[tuple[str, Body]]

NEEDS: Final = {
    WorkKind.UPDATE: "name the firmware that is expected: swRev=... or components.NAME.swRev=...",
    WorkKind.ROLLBACK: "name the firmware that is expected: swRev=... or components.NAME.swRev=...",
    WorkKind.REPLACEMENT: "name the serial number of the box that comes: serNum=...",
    WorkKind.SETTINGS: "name what the settings will tell: configRev, paramRev or settingsId=...",
}


def added(state: State, site: Site, given: AddWork, at: datetime) -> Decided:
    """Raises Refusal."""
    _sound(state, given, at)
    plans = tuple(_plan(state, site, given, name) for name in given.relays)
    for plan in plans:
        _free(state, plan)
    broken = groups.broken(plans, state, site)
    why = unless(given.although, "this can't be planned so", broken)
    out: Decided = []
    for number, plan in enumerate(plans, state.works_ever + 1):
        name = f"w{number}"
        out.append((plan.relay, WorkAdded(work=name, plan=plan)))
        for one in _about(plan.relay, broken, site):
            body = RuleOverridden(work=name, rule=one.rule, says=one.says, why=why)
            out.append((plan.relay, body))
    return out


def _about(relay: str, broken: tuple[Broken, ...], site: Site) -> list[Broken]:
    """Those of the groups that a relay is in; of each rule the one that names it, or the first."""
    found: dict[str, Broken] = {}
    for one in sorted(broken, key=lambda one: relay not in one.says):
        group = site.file.protection_groups.get(one.rule.partition(".")[0])
        if group is None or relay in group.members:
            found.setdefault(one.rule, one)
    return list(found.values())


def _sound(state: State, given: AddWork, at: datetime) -> None:
    """What can be said without looking at a relay."""
    if not given.relays:
        raise Refusal("name at least one relay")
    twice = {name for name in given.relays if given.relays.count(name) > 1}
    if twice:
        raise Refusal(f"{min(twice)}: named twice")
    if len(given.relays) > limits.WORK_RELAYS_MAX:
        raise Refusal(f"{len(given.relays)} relays at once; at most {limits.WORK_RELAYS_MAX}")
    if len(given.expects) > limits.WORK_EXPECTS_MAX:
        raise Refusal(
            f"{len(given.expects)} attributes expected; at most {limits.WORK_EXPECTS_MAX}"
        )
    window.zone_named(given.zone)
    window.fits(given.start, given.end)
    if given.end <= at:
        raise Refusal("the window is over: give an end that is still to come")
    if given.kind == WorkKind.REPLACEMENT and len(given.relays) > 1:
        raise Refusal("a box comes to one position: plan each replacement on its own")
    open_now = sum(work.state not in ENDED for work in state.works.values())
    if open_now + len(given.relays) > limits.WORKS_OPEN_MAX:
        raise Refusal(
            f"{open_now} pieces of work are open, and at most {limits.WORKS_OPEN_MAX} are kept "
            "so: close or cancel those that are over"
        )


def _plan(state: State, site: Site, given: AddWork, name: str) -> Plan:
    relay = state.relays.get(name)
    if relay is None or not relay.listed:
        raise unlisted(name, state.relays)
    present = shown(relay)
    if present is None:
        raise Refusal(
            f"{name}: its nameplate was never read or entered, so nothing could be compared; "
            "enter what its front panel shows: bayroll record"
        )
    plan = Plan(
        relay=name,
        kind=given.kind,
        expects=dict(given.expects),
        before=flat(present),
        start=whole_ms(given.start),
        end=whole_ms(given.end),
        zone=given.zone,
        reference=given.reference,
        settings=given.settings,
    )
    _changes_something(plan, present, site)
    return plan


def _changes_something(plan: Plan, present: Nameplate, site: Site) -> None:
    """Else nobody could tell afterwards whether it took."""
    names = deciding(plan)
    if not names or (plan.kind == WorkKind.REPLACEMENT and "serNum" not in names):
        raise Refusal(f"{plan.kind}: {NEEDS[plan.kind]}")
    is_now = [
        name
        for name in names
        if (now := plan.before.get(name)) is not None
        and same(site, present, name, plan.expects[name], now)
    ]
    if plan.kind == WorkKind.REPLACEMENT:
        is_now = [name for name in is_now if name == "serNum"]  # the new box may run the same
    if plan.kind == WorkKind.SETTINGS and len(is_now) < len(names):
        return  # one of its names for the settings changes; that is enough to see it
    if is_now:
        raise Refusal(
            f"{plan.relay}: {is_now[0]} is {plan.before[is_now[0]]} already; leave it out, or "
            "expect another"
        )


def _free(state: State, plan: Plan) -> None:
    for other in state.works_of(plan.relay):
        if plan.start < other.plan.end and other.plan.start < plan.end:
            raise Refusal(
                f"{plan.relay}: {other.id} is open, and its window overlaps this one; cancel or "
                "close it, or take another time"
            )
