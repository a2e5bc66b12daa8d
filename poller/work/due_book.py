"""What people enter for the year of updates: bulletins, evaluations, exceptions, package checks."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import Any, Final, TypeAlias, TypeVar

from poller.model import events as ev
from poller.model import limits, vers
from poller.model.due import Bulletin, Evaluation, Excepted, PackageCheck
from poller.model.events import Body
from poller.model.near import unlisted
from poller.model.refusal import Refusal
from poller.model.standing import State
from poller.model.text import shown
from poller.model.work import by_number
from poller.site.advisory_families import Family
from poller.site.settings import Site
from poller.work import requests as ask

Decided: TypeAlias = list[tuple[str, Body]]
T = TypeVar("T")


def added(state: State, site: Site, given: ask.AddBulletin) -> Decided:
    if bool(given.relays) == (given.family is not None):
        raise Refusal("a bulletin is about relays, or about a family: name one of the two")
    for name in given.relays:
        _listed(state, name)
    if given.family is not None:
        family = _family(site, given.family)
        if given.versions is not None:
            _range(given.versions, family)
    elif given.versions is not None:
        raise Refusal("versions are those of a family; a bulletin about relays has none")
    if sum(one.closed_at is None for one in state.bulletins.values()) >= limits.BULLETINS_KEPT:
        raise Refusal(f"{limits.BULLETINS_KEPT} bulletins are open; close those that are settled")
    body = ev.BulletinAdded(
        bulletin=f"b{state.bulletins_ever + 1}",
        title=given.title,
        severity=given.severity,
        relays=tuple(dict.fromkeys(given.relays)),
        family=given.family,
        versions=given.versions,
        fixed_in=given.fixed_in,
        reference=given.reference,
    )
    return [("", body)]


def _family(site: Site, name: str) -> Family:
    families = site.advisories
    found = None if families is None else families.family(name)
    if found is None:
        known = [] if families is None else [one.id for one in families.families]
        mend = f"use one of {', '.join(known)}" if known else "the site names none: advisories:"
        raise Refusal(f"{shown(name, limits.SENTENCE_TEXT_MAX)}: no family of advisories; {mend}")
    return found


def _range(text: str, family: Family) -> None:
    try:
        vers.parse(text, family.version_scheme)
    except vers.BadRange as reason:
        raise Refusal(f"--versions: {reason}") from reason


def closed(state: State, given: ask.CloseBulletin, at: datetime) -> Decided:
    found = state.bulletins.get(given.bulletin)
    if found is None:
        raise Refusal(f"{given.bulletin}: no such bulletin; see: bayroll bulletin list")
    if found.closed_at is not None:
        raise Refusal(f"{found.id}: it was closed on {found.closed_at:%Y-%m-%d}")
    return [("", ev.BulletinClosed(bulletin=found.id, why=given.why))]


def evaluated(state: State, given: ask.EnterEvaluation, at: datetime) -> Decided:
    if given.vendor not in state.evaluations and (
        len(state.evaluations) >= limits.EVALUATIONS_KEPT
    ):
        raise Refusal(f"{limits.EVALUATIONS_KEPT} makers are kept; spell this one as before")
    return [("", ev.EvaluationEntered(vendor=given.vendor, found=given.found))]


EXCEPTION_DAYS_MAX: Final = 3 * 366
"""An exception is dated: past some years nobody remembers why."""


def excepted(state: State, given: ask.GiveException, at: datetime) -> Decided:
    _listed(state, given.relay)
    until = _day(given.until)
    if not at.date() <= until <= at.date() + timedelta(days=EXCEPTION_DAYS_MAX):
        raise Refusal(f"until {given.until}: give a day to come, at most three years ahead")
    for one in state.exceptions.values():
        if one.relay == given.relay and one.ended_at is None and _day(one.until) >= at.date():
            raise Refusal(f"{given.relay}: {one.id} stands until {one.until}; end that one first")
    body = ev.ExceptionGiven(
        exception=f"e{state.exceptions_ever + 1}", until=given.until, why=given.why
    )
    return [(given.relay, body)]


def ended(state: State, given: ask.EndException, at: datetime) -> Decided:
    found = state.exceptions.get(given.exception)
    if found is None:
        raise Refusal(f"{given.exception}: no such exception; see: bayroll exception list")
    if found.ended_at is not None:
        raise Refusal(f"{found.id}: it was ended on {found.ended_at:%Y-%m-%d}")
    return [(found.relay, ev.ExceptionEnded(exception=found.id, why=given.why))]


def recorded(state: State, given: ask.RecordPackage, at: datetime) -> Decided:
    body = ev.PackageChecked(
        file=given.file,
        size=given.size,
        sha256=given.sha256,
        rule=given.rule,
        version=given.version,
        signature=given.signature,
        relays=given.relays,
        against=given.against,
        source=given.source,
    )
    return [("", body)]


def _listed(state: State, name: str) -> None:
    relay = state.relays.get(name)
    if relay is None or not relay.listed:
        raise unlisted(name, state.relays)


def _day(text: str) -> date:
    try:
        day = date.fromisoformat(text)
    except ValueError:
        day = None
    if day is None or day.isoformat() != text:
        raise Refusal(f"{shown(text, limits.SENTENCE_TEXT_MAX)}: no day; write it as 2026-03-01")
    return day


# How the events move the state. What the state drops stays in the journal.


def _bulletin_added(state: State, body: ev.BulletinAdded, event: ev.Event) -> State:
    one = Bulletin(
        id=body.bulletin,
        title=body.title,
        severity=body.severity,
        at=event.at,
        by=event.by,
        relays=body.relays,
        family=body.family,
        versions=body.versions,
        fixed_in=body.fixed_in,
        reference=body.reference,
    )
    kept = _without_oldest(
        {**state.bulletins, one.id: one}, lambda one: one.closed_at, limits.BULLETINS_KEPT
    )
    return replace(state, bulletins=kept, bulletins_ever=state.bulletins_ever + 1)


def _bulletin_closed(state: State, body: ev.BulletinClosed, event: ev.Event) -> State:
    known = state.bulletins.get(body.bulletin)
    if known is None:
        return state
    now = replace(known, closed_at=event.at, why=body.why)
    return replace(state, bulletins={**state.bulletins, known.id: now})


def _evaluation_entered(state: State, body: ev.EvaluationEntered, event: ev.Event) -> State:
    one = Evaluation(at=event.at, by=event.by, found=body.found)
    return replace(state, evaluations={**state.evaluations, body.vendor: one})


def _exception_given(state: State, body: ev.ExceptionGiven, event: ev.Event) -> State:
    one = Excepted(
        id=body.exception,
        relay=event.subject,
        until=body.until,
        why=body.why,
        at=event.at,
        by=event.by,
    )
    # one that has expired was not ended, and is of no more use
    others = {
        name: each
        for name, each in state.exceptions.items()
        if each.relay != one.relay or each.ended_at is not None
    }
    kept = _without_oldest({**others, one.id: one}, lambda x: x.ended_at, limits.EXCEPTIONS_KEPT)
    return replace(state, exceptions=kept, exceptions_ever=state.exceptions_ever + 1)


def _exception_ended(state: State, body: ev.ExceptionEnded, event: ev.Event) -> State:
    known = state.exceptions.get(body.exception)
    if known is None:
        return state
    now = replace(known, ended_at=event.at)
    return replace(state, exceptions={**state.exceptions, known.id: now})


def _package_checked(state: State, body: ev.PackageChecked, event: ev.Event) -> State:
    one = PackageCheck(
        file=body.file,
        rule=body.rule,
        version=body.version,
        passed=not body.against,
        at=event.at,
        by=event.by,
    )
    others = {name: each for name, each in state.packages.items() if name != body.sha256}
    kept = sorted({**others, body.sha256: one}.items(), key=lambda item: (item[1].at, item[0]))
    return replace(state, packages=dict(kept[-limits.PACKAGES_KEPT :]))


def _without_oldest(
    found: dict[str, T], ended_at: Callable[[T], datetime | None], most: int
) -> dict[str, T]:
    """As far as there are too many: of those that have ended, the first."""
    over = max(0, len(found) - most)
    names = [name for name in sorted(found, key=by_number) if ended_at(found[name]) is not None]
    gone = set(names[:over])
    return {name: one for name, one in found.items() if name not in gone}


FOLDS: Final[dict[str, Callable[[State, Any, ev.Event], State]]] = {
    "bulletin_added": _bulletin_added,
    "bulletin_closed": _bulletin_closed,
    "evaluation_entered": _evaluation_entered,
    "exception_given": _exception_given,
    "exception_ended": _exception_ended,
    "package_checked": _package_checked,
}
