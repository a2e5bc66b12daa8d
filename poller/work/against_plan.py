"""What a relay tells against what was planned for it."""

from __future__ import annotations

from enum import StrEnum
from typing import Final

from poller.model.nameplate import Nameplate, flat
from poller.model.work import Plan, WorkKind
from poller.site.approved import rule_for, same_version
from poller.site.settings import Site

SETTINGS: Final = ("configRev", "paramRev", "settingsId")


class Seen(StrEnum):
    """All that decides whether the work took, together."""

    AS_PLANNED = "as_planned"
    PARTLY = "partly"  # some as planned, the rest as before: it may not be through yet
    AS_BEFORE = "as_before"
    OTHER = "other"  # something is neither
    UNREAD = "unread"  # something is not told: it can't be said


def is_firmware(attribute: str) -> bool:
    """swRev, components.NAME.swRev."""
    return attribute.rsplit(".", 1)[-1] == "swRev"


def deciding(plan: Plan) -> tuple[str, ...]:
    """The attributes that show whether the work took; the rest of expects is for the checks."""
    match plan.kind:
        case WorkKind.SETTINGS:
            found = [name for name in plan.expects if name in SETTINGS]
        case WorkKind.REPLACEMENT:
            found = [name for name in plan.expects if name == "serNum" or is_firmware(name)]
        case WorkKind.UPDATE | WorkKind.ROLLBACK:
            found = [name for name in plan.expects if is_firmware(name)]
    return tuple(sorted(found))


def same(site: Site, nameplate: Nameplate, attribute: str, one: str, other: str) -> bool:
    """Equal text; of firmware also two spellings of one version, where a rule says how to read."""
    if one == other:
        return True
    if site.approved is None or not is_firmware(attribute):
        return False
    rule = rule_for(site.approved, nameplate, attribute)
    return rule is not None and same_version(rule, one, other)


P, B, U = Seen.AS_PLANNED, Seen.AS_BEFORE, Seen.UNREAD

TOGETHER: Final[dict[frozenset[Seen], Seen]] = {
    frozenset(): U,
    frozenset({P}): P,
    frozenset({B}): B,
    frozenset({U}): U,
    frozenset({P, B}): Seen.PARTLY,
    frozenset({P, U}): U,
    frozenset({B, U}): B,
    frozenset({P, B, U}): Seen.PARTLY,
}
"""What the attributes come to, where none of them is OTHER."""


def seen(plan: Plan, nameplate: Nameplate | None, site: Site) -> Seen:
    """How a relay that tells this stands to its plan. None: nothing was read or entered."""
    if nameplate is None:
        return Seen.UNREAD
    values = flat(nameplate)
    each = {_seen_of(plan, name, values.get(name), nameplate, site) for name in deciding(plan)}
    if Seen.OTHER in each:
        return Seen.OTHER
    return TOGETHER[frozenset(one for one in each if one is not None)]


def _seen_of(
    plan: Plan, name: str, now: str | None, nameplate: Nameplate, site: Site
) -> Seen | None:
    """None: it is as planned, but it was so before and shows nothing."""
    if now is None:
        return Seen.UNREAD
    before = plan.before.get(name)
    was = before is not None and same(site, nameplate, name, before, now)
    if same(site, nameplate, name, plan.expects[name], now):
        return None if was else Seen.AS_PLANNED
    return Seen.AS_BEFORE if was else Seen.OTHER
