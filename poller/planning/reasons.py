"""Why something is due of a relay, in words, the most pressing first.

Clocks: NERC CIP-010-4, part 1.3 (30 calendar days), CIP-007-6, part 2.2 (35 calendar days, from
memory); both for the impact ratings high and medium.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from enum import IntEnum
from typing import Final

from poller.model.due import Severity
from poller.model.nameplate import differences
from poller.model.standing import Investigation, Relay, State
from poller.model.standing import shown as present
from poller.model.text import shown
from poller.model.work import FirmwareStatus, Work, WorkState, by_number
from poller.planning.advisories import Held, Verdict
from poller.planning.bulletins import Concerned
from poller.planning.matching import Truth
from poller.site.approved import Rule, withdrawn
from poller.site.settings import Site

BASELINE_DAYS: Final = 30
EVALUATION_DAYS: Final = 35
AHEAD_DAYS: Final = 7  # an evaluation is told so long before it is owed
EXCEPTION_AHEAD_DAYS: Final = 30  # an outage takes so long to get
RATED: Final = frozenset({"high", "medium"})


class Cause(IntEnum):
    """Why something is due, the most pressing first."""

    FAILURE_TO_TRIP = 0
    MISOPERATION = 1
    WITHDRAWN = 2
    AFFECTED = 3
    INVESTIGATION = 4  # what runs there nobody knows of: before all that is only late on paper
    BASELINE_OVERDUE = 5
    EVALUATION_OVERDUE = 6
    EXCEPTION_ENDING = 7
    NEEDS_A_PERSON = 8
    NOT_APPROVED = 9
    BELOW_TARGET = 10
    BASELINE = 11
    EVALUATION = 12
    BULLETIN = 13  # of which protection is not concerned


OF_UPDATES: Final = frozenset(
    {
        Cause.FAILURE_TO_TRIP,
        Cause.MISOPERATION,
        Cause.WITHDRAWN,
        Cause.AFFECTED,
        Cause.NOT_APPROVED,
        Cause.BELOW_TARGET,
        Cause.BULLETIN,
    }
)
"""What an exception lets wait, and what a way to the target would end."""
OF_PROTECTION: Final = frozenset({Cause.FAILURE_TO_TRIP, Cause.MISOPERATION})
"""What no exception lets wait that was given before anybody knew."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """says: a clause for people. by: the last day on which it may be done; None: none is set.

    since: when a bulletin came; None: of what no exception could be too old for.
    """

    cause: Cause
    says: str
    by: date | None = None
    since: datetime | None = None


def of_relays(
    state: State, site: Site, held: Held, concerned: Iterable[Concerned], now: datetime
) -> dict[str, list[Reason]]:
    """Of each listed relay of which anything is due."""
    found: dict[str, list[Reason]] = {}
    for one in concerned:
        if one.box.relay is not None:
            found.setdefault(one.box.relay, []).append(_bulletin(one))
    for name, reasons in _advisories(held).items():
        found.setdefault(name, []).extend(reasons)
    works: dict[str, list[Work]] = defaultdict(list)
    asked: dict[str, list[Investigation]] = defaultdict(list)
    for work in state.works.values():
        works[work.plan.relay].append(work)
    for each in state.investigations.values():
        asked[each.relay].append(each)
    rules = {} if site.approved is None else {one.id: one for one in site.approved.rules}
    for name, relay in state.relays.items():
        reasons = [
            *_firmware(relay, rules),
            *_investigations(asked.get(name, ())),
            *_baseline(works.get(name, ()), relay, site, now),
        ]
        if reasons:
            found.setdefault(name, []).extend(reasons)
    return {name: told for name, told in found.items() if state.relays[name].listed}


def _bulletin(one: Concerned) -> Reason:
    told = one.bulletin
    cause = {
        Severity.FAILURE_TO_TRIP: Cause.FAILURE_TO_TRIP,
        Severity.SLOW_TRIP: Cause.MISOPERATION,
        Severity.UNNECESSARY_TRIP: Cause.MISOPERATION,
        Severity.NOT_PROTECTION: Cause.BULLETIN,
    }[told.severity]
    may = "" if one.match.truth is Truth.YES else " may concern it"
    word = told.severity.replace("_", " ")
    says = f"bulletin {told.id} ({word}){may}: {shown(told.title, 120)}"
    return Reason(cause=cause, says=says, since=told.at)


def _advisories(held: Held) -> dict[str, list[Reason]]:
    """One reason for each document and relay: the worst that it says."""
    worst: dict[tuple[str, str], tuple[Cause, float, int, str]] = {}
    for one in held.findings:
        cause = {Verdict.AFFECTED: Cause.AFFECTED, Verdict.NEEDS_A_PERSON: Cause.NEEDS_A_PERSON}
        if one.box.relay is None or one.verdict not in cause:
            continue
        document = one.advisory.document.document.tracking.id
        key = (one.box.relay, document)
        told = (cause[one.verdict], -(one.score or 0.0), 1, one.vulnerability)
        known = worst.get(key)
        worst[key] = told if known is None else min(known, told)
    found: dict[str, list[Reason]] = {}
    for (relay, document), (cause_, score, _, vulnerability) in sorted(worst.items()):
        word = "affected by" if cause_ is Cause.AFFECTED else "a person decides about"
        cvss = f", CVSS {-score:.1f}" if score else ""
        says = f"{word} {shown(document, 60)} ({shown(vulnerability, 60)}{cvss})"
        found.setdefault(relay, []).append(Reason(cause=cause_, says=says))
    return found


def _firmware(relay: Relay, rules: Mapping[str, Rule]) -> Iterator[Reason]:
    for attribute, one in sorted(relay.firmware.items()):
        version = shown(one.version or "", 60)
        name = _called(attribute)
        match one.status:
            case FirmwareStatus.WITHDRAWN:
                rule = rules.get(one.rule or "")
                gone = None if rule is None else withdrawn(rule, one.version or "")
                why = "" if gone is None else f" on {gone.on}: {gone.why}"
                yield Reason(cause=Cause.WITHDRAWN, says=f"{name} {version} was withdrawn{why}")
            case FirmwareStatus.APPROVED_OLDER:
                says = f"{name} {version} is below the target {shown(one.target or '', 60)}"
                yield Reason(cause=Cause.BELOW_TARGET, says=says)
            case FirmwareStatus.NOT_APPROVED:
                yield Reason(cause=Cause.NOT_APPROVED, says=f"{name} {version} is not approved")


def _called(attribute: str) -> str:
    return "firmware" if attribute == "swRev" else f"firmware of {attribute.split('.')[1]}"


def _investigations(asked: Iterable[Investigation]) -> Iterator[Reason]:
    for one in sorted(asked, key=lambda one: by_number(one.id)):
        if one.disposition is None:
            says = f"investigation {one.id} is open since {one.opened_at:%Y-%m-%d}"
            yield Reason(cause=Cause.INVESTIGATION, says=says)


def _baseline(works: Iterable[Work], relay: Relay, site: Site, now: datetime) -> Iterator[Reason]:
    """After work that changed something, until the baseline is accepted anew."""
    accepted, plate = relay.baseline, present(relay)
    if plate is None or (accepted is not None and not differences(accepted.nameplate, plate)):
        return
    done = [
        (work.came_out_at, work.id)
        for work in works
        if work.state in (WorkState.VERIFIED, WorkState.CLOSED)
        and work.tries > 0
        and work.came_out_at is not None
        and (accepted is None or work.came_out_at > accepted.at)
    ]
    if done:
        at, name = min(done)
        by = at.date() + timedelta(days=BASELINE_DAYS)
        part = " (CIP-010-4, part 1.3)" if site.file.asset_class in RATED else ""
        says = f"its baseline is to be accepted anew after {name}, by {by}{part}"
        cause = Cause.BASELINE_OVERDUE if now.date() > by else Cause.BASELINE
        yield Reason(cause=cause, says=says, by=by)


def of_makers(state: State, site: Site, now: datetime) -> Iterator[tuple[str, Reason]]:
    """Of each maker whose relays are listed, where the asset class asks for it."""
    if site.file.asset_class not in RATED:
        return
    plates = [present(relay) for relay in state.relays.values() if relay.listed]
    makers = {plate.vendor for plate in plates if plate is not None and plate.vendor is not None}
    for maker in sorted(makers):
        last = state.evaluations.get(maker)
        name = shown(maker, 60)
        if last is None:
            says, by = f"what {name} released was never evaluated", now.date()
            cause = Cause.EVALUATION_OVERDUE
        else:
            by = last.at.date() + timedelta(days=EVALUATION_DAYS)
            if (by - now.date()).days > AHEAD_DAYS:
                continue
            says = f"what {name} released was last evaluated on {last.at:%Y-%m-%d}; due by {by}"
            cause = Cause.EVALUATION_OVERDUE if now.date() > by else Cause.EVALUATION
        reason = Reason(cause=cause, says=f"{says} (CIP-007-6, part 2.2)", by=by)
        yield maker, reason
