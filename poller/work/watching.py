"""What a relay tells, against the work that was planned for it: moves and investigations."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Final, TypeAlias

from poller.judging.judge import most_serious
from poller.model import limits
from poller.model.events import (
    Body,
    Change,
    ChangeClass,
    Event,
    InvestigationOpened,
    NameplateChanged,
    ReadingEntered,
)
from poller.model.nameplate import Nameplate
from poller.model.standing import State
from poller.model.work import Work, WorkState
from poller.site.settings import Site
from poller.work.against_plan import Seen, is_firmware, same, seen
from poller.work.planned_work import Move, moved

Decided: TypeAlias = list[tuple[str, Body]]

WITH_PEOPLE: Final = frozenset({WorkState.UNDER_WAY, WorkState.WAITING_FOR_RELAY})
COME_OUT: Final = frozenset({WorkState.CHECKING, WorkState.NOT_DONE, WorkState.WRONG_VERSION})
NOT_BEGUN: Final = frozenset({WorkState.PLANNED, WorkState.READY})

INVESTIGATED: Final = frozenset(
    {
        ChangeClass.REPLACED,
        ChangeClass.DOWNGRADED,
        ChangeClass.UNPLANNED,
        ChangeClass.OPTIONS,
        ChangeClass.SETTINGS,
    }
)
"""Changes that a person must account for. A wrong version is the work's own to answer for."""

MOVES: Final = {
    Seen.AS_PLANNED: (Move.SEEN_AS_PLANNED, "what was planned was read"),
    Seen.PARTLY: (Move.SEEN_AS_PLANNED, "a part of what was planned was read"),
    Seen.AS_BEFORE: (Move.TOOK_NOT, "the relay is again what it was before"),
    Seen.OTHER: (Move.SEEN_OTHER, "what was read is neither what was planned nor what it was"),
    Seen.UNREAD: None,
}
"""What a believed change does to the work that it is judged against."""


def judged_against(state: State, site: Site, relay: str, first_new_at: datetime) -> Work | None:
    """The work that a change is judged against, by when the change was first read.

    First what people are at, then what was to be done just then, then what came out before. A
    change from before the work began, and outside its window, is none of its own.
    """
    works = [one for one in state.works_of(relay) if _could_be(one, first_new_at)]
    for states in (WITH_PEOPLE, NOT_BEGUN, COME_OUT):
        found = [one for one in works if one.state in states]
        if found:
            return max(found, key=lambda one: one.started_at or one.plan.start)
    return None


def _could_be(work: Work, first_new_at: datetime) -> bool:
    if work.plan.start <= first_new_at <= work.plan.end:
        return True
    begun = work.started_at or work.plan.start  # what was planned may have come before its start
    return work.state not in NOT_BEGUN and begun <= first_new_at


def classify(
    changes: tuple[Change, ...], work: Work, site: Site, nameplate: Nameplate
) -> tuple[Change, ...]:
    """The changes with what the plan says of them; what it does not speak of keeps its class."""
    return tuple(
        replace(change, change=_class(change, work, site, nameplate)) for change in changes
    )


def _class(change: Change, work: Work, site: Site, nameplate: Nameplate) -> ChangeClass:
    expected = work.plan.expects.get(change.attribute)
    if expected is None:
        return change.change
    if change.after is not None and same(site, nameplate, change.attribute, expected, change.after):
        return ChangeClass.PLANNED
    if is_firmware(change.attribute) and change.change != ChangeClass.TEXT_ONLY:
        return ChangeClass.WRONG_VERSION
    return change.change


def follow(
    before: State, after: State, site: Site, events: Sequence[Event], at: datetime
) -> Decided:
    """What follows from changes that are believed, and from readings that people enter."""
    out: Decided = []
    opened = 0
    for event in events:
        body = event.body
        if isinstance(body, NameplateChanged):
            work = None if body.work is None else after.works.get(body.work)
            if work is not None:
                out += _seen_again(work, body.nameplate, site)
            found = _investigation(after, body, opened)
            if found is not None:
                opened += 1
                out.append((event.subject, found))
        elif isinstance(body, ReadingEntered):
            out += _entered(after, event.subject, body)
    return out


def reread(state: State, relay: str) -> Decided:
    """A whole nameplate was read since the poller began, or began again, to poll it."""
    return _each(state.works_of(relay), Move.REREAD, "its nameplate was read again")


def _seen_again(work: Work, nameplate: Nameplate, site: Site) -> Decided:
    move = MOVES[seen(work.plan, nameplate, site)]
    return [] if move is None else _each([work], *move)


def _entered(state: State, relay: str, body: ReadingEntered) -> Decided:
    """Of a relay that tells its nameplate to people only, a front-panel reading is the reading."""
    known = state.relays.get(relay)
    if known is None or known.nameplate is not None:
        return []
    works = [
        one
        for one in state.works_of(relay)
        if one.ended_at is not None and one.ended_at <= body.read_at
    ]
    return _each(works, Move.REREAD, "its nameplate was read at the front panel")


def _each(works: Iterable[Work], move: Move, why: str) -> Decided:
    told = ((work.plan.relay, moved(work, move, why)) for work in works)
    return [(relay, body) for relay, body in told if body is not None]


def _investigation(state: State, body: NameplateChanged, opened: int) -> InvestigationOpened | None:
    """opened: how many the same input has opened already."""
    changes = tuple(change for change in body.changes if change.change in INVESTIGATED)
    if not changes:
        return None
    unanswered = sum(one.disposition is None for one in state.investigations.values())
    if unanswered + opened >= limits.BOOK_KEPT:
        return None  # nobody looks at them; the change itself is on record
    return InvestigationOpened(
        investigation=f"i{state.investigations_ever + opened + 1}",
        change=most_serious(changes),
        changes=changes,
    )
