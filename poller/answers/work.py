"""Planned work as a person or a program reads it: one row for each, and all of one.

Text of devices and people stands in it as model.text.shown gives it.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from poller.answers.words import age_s, position
from poller.answers.work_words import NOTE, line_says, meant, state_says, untested, window
from poller.model import limits
from poller.model.attribute_words import attribute
from poller.model.canonical import Utc
from poller.model.nameplate import ATTRIBUTES
from poller.model.standing import State
from poller.model.status import StatusReading
from poller.model.text import shown
from poller.model.work import (
    ENDED,
    Line,
    NoteKind,
    Plan,
    SettingsFile,
    Work,
    WorkKind,
    WorkState,
    by_number,
)
from poller.site.settings import Site
from poller.work import readiness, verification
from poller.work.readiness import Obstacle


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkRow:
    """One piece of work. position: bay and function. meant: kind and what is expected, in words.

    says: the state in words; "readings verified, test not recorded" where that is all. start, end:
    UTC; window: both in the zone they were given in. age_s: in this state, whole seconds.
    """

    id: str
    relay: str
    position: str
    kind: WorkKind
    state: WorkState
    says: str
    meant: str
    start: Utc
    end: Utc
    window: str
    reference: str | None
    by: str | None
    entered_at: Utc
    since: Utc
    age_s: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """One attribute as it was when the work was planned, and as it is to be afterwards.

    after: None where nothing else than before is expected. says: its name in words.
    """

    name: str
    says: str
    before: str | None
    after: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class InTheWay:
    """rule: its stable name. cure: what removes it."""

    rule: str
    says: str
    cure: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckLine:
    """One line of the verification. next: what to do while it is not as expected, else None."""

    name: str
    says: str
    expected: str
    read: str | None
    at: Utc | None
    ok: bool | None
    next: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteLine:
    at: Utc
    by: str | None
    kind: NoteKind
    says: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkPicture(WorkRow):
    """in_the_way: None where it does not matter any more, or can't be told.

    held_since: since when all that is read is as expected. investigations: linked to this work.
    next: what a person does now.
    """

    expects: tuple[Expected, ...]
    settings: SettingsFile | None
    in_the_way: tuple[InTheWay, ...] | None
    lines: tuple[CheckLine, ...]
    started_at: Utc | None
    ended_at: Utc | None
    reread_at: Utc | None
    held_since: Utc | None
    tries: int
    overridden: tuple[str, ...]
    notes: tuple[NoteLine, ...]
    investigations: tuple[str, ...]
    why: str
    next: str


NEXT: Final = {
    WorkState.PLANNED: "remove what stands in the way",
    WorkState.READY: "within its window: bayroll work start {id}",
    WorkState.UNDER_WAY: "when the relay is connected again: bayroll work end {id}",
    WorkState.WAITING_FOR_RELAY: "wait: its nameplate is read as soon as it answers",
    WorkState.CHECKING: "wait: what is read is compared until it stayed so for the soak",
    WorkState.VERIFIED: "sign the sheet, then: bayroll work close {id}",
    WorkState.NOT_DONE: "keep it isolated; see the next step of each line",
    WorkState.WRONG_VERSION: "keep it isolated; see the next step of each line",
    WorkState.CANCELLED: "nothing",
    WorkState.CLOSED: "nothing",
}
TEST_IT: Final = "test it, then: bayroll work note {id} --kind tested TEXT"


def rows(
    state: State,
    now: datetime,
    *,
    relays: Collection[str] = (),
    states: Collection[WorkState] = (),
    ended: bool = False,
) -> tuple[WorkRow, ...]:
    """By the start of its window; what ended only if asked for. Empty: any relay, any state."""
    found = [
        one
        for one in state.works.values()
        if (not relays or one.plan.relay in relays)
        and (one.state in states if states else ended or one.state not in ENDED)
    ]
    found.sort(key=lambda one: (one.plan.start, by_number(one.id)))
    return tuple(row(one, state, now) for one in found)


def row(work: Work, state: State, now: datetime) -> WorkRow:
    return WorkRow(**_row(work, state, now))


def _row(work: Work, state: State, now: datetime) -> dict[str, Any]:
    plan = work.plan
    return {
        "id": work.id,
        "relay": plan.relay,
        "position": position(plan.relay, state),
        "kind": plan.kind,
        "state": work.state,
        "says": state_says(work),
        "meant": meant(plan.kind, plan.expects),
        "start": plan.start,
        "end": plan.end,
        "window": window(plan),
        "reference": text(plan.reference),
        "by": text(work.by),
        "entered_at": work.entered_at,
        "since": work.since,
        "age_s": age_s(work.since, now) or 0,
    }


STARTS_FROM: Final = frozenset(
    {WorkState.PLANNED, WorkState.READY, WorkState.NOT_DONE, WorkState.WRONG_VERSION}
)
LOOKED_AT: Final = frozenset({WorkState.CHECKING, WorkState.NOT_DONE, WorkState.WRONG_VERSION})


def asked(
    work: Work, state: State, site: Site | None, reading: StatusReading | None, now: datetime
) -> WorkPicture:
    """All of one piece of work as it is now. site: None: its files can't be read.

    reading: the relay's last, if a service has one; else the lines are as they were recorded.
    """
    relay = state.relays.get(work.plan.relay)
    if site is None or relay is None:
        return picture(work, state, now)
    lines = None
    if reading is not None and work.state in LOOKED_AT:
        lines = verification.lines(work, relay, site, reading, now)
    found = None
    if work.state in STARTS_FROM:
        found = readiness.obstacles(work, state, site, reading, now)
    return picture(
        work,
        state,
        now,
        in_the_way=found,
        lines=lines,
        next_step=lambda line: verification.next_step(line, site, relay),
    )


def picture(
    work: Work,
    state: State,
    now: datetime,
    *,
    in_the_way: Iterable[Obstacle] | None = None,
    lines: tuple[Line, ...] | None = None,
    next_step: Callable[[Line], str] = lambda line: "",
) -> WorkPicture:
    """All of one piece of work. lines: as they come out now; None: as they were last recorded.

    next_step: what to do about a line that is not as expected, or not known yet.
    """
    return WorkPicture(
        **_row(work, state, now),
        expects=expected(work.plan),
        settings=_settings(work.plan.settings),
        in_the_way=None if in_the_way is None else _obstacles(in_the_way),
        lines=tuple(_line(one, next_step) for one in (work.lines if lines is None else lines)),
        started_at=work.started_at,
        ended_at=work.ended_at,
        reread_at=work.reread_at,
        held_since=work.held_since,
        tries=work.tries,
        overridden=tuple(shown(rule) for rule in work.overridden),
        notes=tuple(
            NoteLine(
                at=note.at,
                by=text(note.by),
                kind=note.kind,
                says=NOTE[note.kind],
                text=shown(note.text, limits.REASON_MAX),
            )
            for note in work.notes
        ),
        investigations=tuple(
            name
            for name in sorted(state.investigations, key=by_number)
            if state.investigations[name].work == work.id
        ),
        why=shown(work.why, limits.REASON_MAX),
        next=(TEST_IT if untested(work) else NEXT[work.state]).format(id=work.id),
    )


def expected(plan: Plan) -> tuple[Expected, ...]:
    """What is to change first, then what stays, each in the order of model.nameplate."""
    order = {name: at for at, name in enumerate(ATTRIBUTES)}
    names = sorted(
        plan.before.keys() | plan.expects.keys(),
        key=lambda name: (name not in plan.expects, order.get(name, len(order)), name),
    )
    return tuple(
        Expected(
            name=shown(name),
            says=attribute(name),
            before=text(plan.before.get(name)),
            after=text(plan.expects.get(name)),
        )
        for name in names
    )


def _settings(told: SettingsFile | None) -> SettingsFile | None:
    if told is None:
        return None
    return SettingsFile(
        name=shown(told.name),
        sha256_before=shown(told.sha256_before),
        sha256_after=text(told.sha256_after),
        reviewed_by=text(told.reviewed_by),
    )


def _obstacles(found: Iterable[Obstacle]) -> tuple[InTheWay, ...]:
    most = limits.REASON_MAX
    return tuple(
        InTheWay(rule=shown(one.rule), says=shown(one.says, most), cure=shown(one.cure, most))
        for one in found
    )


def _line(line: Line, next_step: Callable[[Line], str]) -> CheckLine:
    advice = "" if line.ok else next_step(line)
    return CheckLine(
        name=shown(line.name),
        says=line_says(line.name),
        expected=shown(line.expected),
        read=text(line.read),
        at=line.at,
        ok=line.ok,
        next=shown(advice, limits.REASON_MAX) if advice else None,
    )


def text(told: str | None) -> str | None:
    return None if told is None else shown(told)
