"""Changes that nobody planned, and how long each has waited for a person to say what it was."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from poller.answers import changes
from poller.answers.words import age_s, position
from poller.answers.work_words import DISPOSITION
from poller.model import limits
from poller.model.canonical import Utc
from poller.model.events import ChangeClass
from poller.model.standing import Investigation, State
from poller.model.text import shown
from poller.model.work import Disposition, by_number


@dataclass(frozen=True, slots=True, kw_only=True)
class InvestigationRow:
    """says: what changed. age_s: open for so long, or how long it was open; whole seconds.

    disposition: None while open; in words beside it. work: entered afterwards and linked.
    """

    id: str
    relay: str
    position: str
    change: ChangeClass
    says: str
    open: bool
    opened_at: Utc
    age_s: int
    disposition: Disposition | None
    disposition_says: str | None
    why: str | None
    by: str | None
    closed_at: Utc | None
    work: str | None


def rows(
    state: State, now: datetime, *, relay: str | None = None, closed: bool = False
) -> tuple[InvestigationRow, ...]:
    """The oldest first, so that what waits longest stands on top; closed ones only if asked for."""
    return tuple(
        row(state.investigations[name], state, now)
        for name in sorted(state.investigations, key=by_number)
        if (closed or state.investigations[name].disposition is None)
        and (relay is None or state.investigations[name].relay == relay)
    )


def row(one: Investigation, state: State, now: datetime) -> InvestigationRow:
    given = one.disposition
    return InvestigationRow(
        id=one.id,
        relay=one.relay,
        position=position(one.relay, state),
        change=one.change,
        says=shown(changes.framed(one.change, one.changes), limits.SENTENCE_MAX),
        open=given is None,
        opened_at=one.opened_at,
        age_s=age_s(one.opened_at, one.closed_at or now) or 0,
        disposition=given,
        disposition_says=None if given is None else DISPOSITION[given],
        why=None if one.why is None else shown(one.why, limits.REASON_MAX),
        by=None if one.by is None else shown(one.by),
        closed_at=one.closed_at,
        work=one.work,
    )
