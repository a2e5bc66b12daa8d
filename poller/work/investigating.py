"""Changes that nobody planned: what a person says they were, and the work entered afterwards."""

from __future__ import annotations

from datetime import datetime
from typing import TypeAlias

from poller.model.events import Body, DispositionGiven, InvestigationLinked
from poller.model.refusal import Refusal
from poller.model.standing import Investigation, State
from poller.work.requests import GiveDisposition, LinkInvestigation

Decided: TypeAlias = list[tuple[str, Body]]


def linked(state: State, given: LinkInvestigation, at: datetime) -> Decided:
    """The change stays unplanned, so work that was there before it can't be its excuse."""
    found = _investigation(state, given.investigation)
    work = state.works.get(given.work)
    if work is None:
        raise Refusal(f"{given.work}: no such work; see: bayroll work list")
    if work.plan.relay != found.relay:
        raise Refusal(f"{work.id} is work on {work.plan.relay}, {found.id} is about {found.relay}")
    if work.entered_at < found.opened_at:
        raise Refusal(
            f"{work.id} was entered before the change of {found.id} was found, and was no plan of "
            "it; link work that was entered afterwards"
        )
    if found.work == work.id:
        raise Refusal(f"{found.id}: it is linked to {work.id} already")
    body = InvestigationLinked(investigation=found.id, work=work.id)
    return [(found.relay, body)]


def disposed(state: State, given: GiveDisposition, at: datetime) -> Decided:
    found = _investigation(state, given.investigation)
    if found.disposition is not None:
        raise Refusal(
            f"{found.id}: it was closed as {found.disposition} on {found.closed_at:%Y-%m-%d}; "
            "what is on record stays as it is"
        )
    body = DispositionGiven(investigation=found.id, disposition=given.disposition, why=given.why)
    return [(found.relay, body)]


def _investigation(state: State, name: str) -> Investigation:
    found = state.investigations.get(name)
    if found is None:
        raise Refusal(f"{name}: no such investigation; see: bayroll investigation list")
    return found
