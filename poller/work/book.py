"""The book of work: the answer to everything that people, and the clock, ask of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any, Final, TypeAlias

from poller.model import limits
from poller.model.events import Body, WorkNoted
from poller.model.refusal import Refusal
from poller.model.standing import State
from poller.model.status import StatusReading
from poller.model.work import ENDED, NoteKind, Work, WorkState
from poller.site.settings import Site
from poller.work import adding, attending, boxes, due_book, investigating, starting
from poller.work import requests as ask
from poller.work.planned_work import Move, moved

Decided: TypeAlias = list[tuple[str, Body]]

NOT_TRIED: Final = frozenset({WorkState.PLANNED, WorkState.READY})


def decided(
    state: State,
    site: Site,
    request: ask.Request | ask.Attend,
    at: datetime,
    readings: Mapping[str, StatusReading],
) -> Decided:
    """Events by subject, in order. Raises Refusal for what a person asks, with why.

    readings: the last status reading of each relay that has one; Attend brings its own.
    """
    match request:
        case ask.Attend():
            return attending.attended(state, site, at, request.readings)
        case ask.AddWork():
            return adding.added(state, site, request, at)
        case ask.AddBulletin():
            return due_book.added(state, site, request)
        case ask.StartWork():
            work = _work(state, request.work)
            return starting.started(state, site, work, request, at, readings)
    return PLAIN[type(request)](state, request, at)


def _work(state: State, name: str) -> Work:
    work = state.works.get(name)
    if work is None:
        raise Refusal(f"{name}: no such work; see: bayroll work list")
    return work


def _moved(state: State, name: str, move: Move, why: str) -> Decided:
    work = _work(state, name)
    body = moved(work, move, why)
    assert body is not None, "a person's move is made or refused"
    return [(work.plan.relay, body)]


def _noted(state: State, given: ask.NoteWork, at: datetime) -> Decided:
    work = _work(state, given.work)
    if work.state in ENDED:
        raise Refusal(f"{work.id}: it is {work.state}; what is on record stays as it is")
    if given.note == NoteKind.TESTED and work.state in NOT_TRIED:
        raise Refusal(f"{work.id}: it has not been started, so nothing of it can be tested yet")
    if len(work.notes) >= limits.WORK_NOTES_MAX:
        raise Refusal(
            f"{work.id}: {len(work.notes)} notes are kept of one piece of work, and it has them"
        )
    body = WorkNoted(work=work.id, note=given.note, text=given.text)
    return [(work.plan.relay, body)]


PLAIN: Final[dict[type, Callable[[State, Any, datetime], Decided]]] = {
    ask.EndWork: lambda state, given, at: _moved(
        state, given.work, Move.ENDED, "the relay can be looked at"
    ),
    ask.CancelWork: lambda state, given, at: _moved(state, given.work, Move.CANCELLED, given.why),
    ask.CloseWork: lambda state, given, at: _moved(state, given.work, Move.CLOSED, given.why),
    ask.NoteWork: _noted,
    ask.LinkInvestigation: investigating.linked,
    ask.GiveDisposition: investigating.disposed,
    ask.ShelveSpare: boxes.shelved,
    ask.RemoveSpare: boxes.removed,
    ask.CloseBulletin: due_book.closed,
    ask.EnterEvaluation: due_book.evaluated,
    ask.GiveException: due_book.excepted,
    ask.EndException: due_book.ended,
    ask.RecordPackage: due_book.recorded,
}
"""Requests that need neither the site nor readings."""
