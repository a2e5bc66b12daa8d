"""Alarms as a person or a program reads them: one row for each, and how many there are.

Text of devices and people stands in it as model.text.shown gives it.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Any, Final

from poller.answers.alarm_sentences import called
from poller.answers.alarm_words import ack_line, hold_lines, waits
from poller.answers.words import age_s, count, position
from poller.model import limits
from poller.model.alarms import PRIORITIES, STATE_NAME, Alarm, AlarmState, Audience, Priority
from poller.model.canonical import Utc
from poller.model.standing import State
from poller.model.text import shown
from poller.site.alarm_catalogue import Catalogue, Entry


class Part(StrEnum):
    """Where an alarm is told of, in the order of the list."""

    ANNUNCIATED = "annunciated"  # stands in the operator's list
    KEPT_BACK = "kept_back"  # shelved, suppressed by design or out of service
    WAITING = "waiting"  # its condition is there, and its on-delay runs
    NORMAL = "normal"  # was there once


ORDER: Final = tuple(Part)
CALLS_FIRST: Final = (
    AlarmState.UNACKNOWLEDGED,
    AlarmState.RETURNED,
    AlarmState.ACKNOWLEDGED,
    AlarmState.NORMAL,
)
UNACKNOWLEDGED: Final = frozenset({AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED})


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmRow:
    """One alarm. relay: None where it is of several, or of the poller. state: the letter shown.

    came: when what it tells of came to be so; of one that is normal, since when it is. age_s: from
    there, in whole seconds. since: when it came into one of A to D. unacknowledged: it asks the
    operator for that now. kind: its audience in words. note: what keeps it back, what it waits for,
    who acknowledged it. response, time_to_respond_min: None where no catalogue says them.
    """

    id: str
    entry: str
    relay: str | None
    position: str
    part: Part
    state: str
    state_says: str
    unacknowledged: bool
    audience: tuple[Audience, ...]
    kind: str
    priority: Priority
    says: str
    came: Utc
    age_s: int
    since: Utc
    note: str | None
    response: str | None
    time_to_respond_min: int | None

    @property
    def for_operator(self) -> bool:
        """Also one of which nothing is known but that somebody put it away before it ever came."""
        return not self.audience or Audience.OPERATOR_ALARM in self.audience


@dataclass(frozen=True, slots=True, kw_only=True)
class Counts:
    """alarms: of the operator, annunciated; unacknowledged: of these. notices: annunciated."""

    alarms: int
    unacknowledged: int
    notices: int
    kept_back: int
    waiting: int

    def says(self) -> str:
        """3 alarms, 2 unacknowledged; 1 notice; 1 kept back."""
        told = [count(self.alarms, "alarm", "alarms") if self.alarms else "no alarm"]
        told[0] += f", {self.unacknowledged} unacknowledged" if self.unacknowledged else ""
        told += [count(self.notices, "notice", "notices")] if self.notices else []
        told += [f"{self.kept_back} kept back"] if self.kept_back else []
        told += [f"{self.waiting} waiting for a delay"] if self.waiting else []
        return "; ".join(told)


def rows(
    state: State,
    now: datetime,
    catalogue: Catalogue | None = None,
    *,
    relays: Collection[str] = (),
    parts: Collection[Part] = (Part.ANNUNCIATED,),
) -> tuple[AlarmRow, ...]:
    """Alarms before notices, then the highest priority, the unacknowledged and the newest first.

    relays: only theirs; empty: of all, of several together and of the poller.
    """
    entries = {} if catalogue is None else {one.id: one for one in catalogue.entries}
    found = [
        (one, _built(one, state, now, entries.get(one.entry)))
        for one in state.alarms.values()
        if part(one) in parts and (not relays or one.subject in relays)
    ]
    found.sort(key=lambda pair: _order(*pair))
    return tuple(told for _, told in found)


def _order(alarm: Alarm, told: AlarmRow) -> tuple[Any, ...]:
    return (
        ORDER.index(told.part),
        not told.for_operator,
        PRIORITIES.index(told.priority),
        CALLS_FIRST.index(alarm.state),
        -told.came.timestamp(),
        told.id,
    )


def part(alarm: Alarm) -> Part:
    if alarm.inhibits.shown is not None:
        return Part.KEPT_BACK
    if alarm.annunciated:
        return Part.ANNUNCIATED
    return Part.NORMAL if alarm.on_until is None else Part.WAITING


def counted(state: State, relays: Collection[str] = ()) -> Counts:
    """relays: as of rows."""
    every = [one for one in state.alarms.values() if not relays or one.subject in relays]
    parts = [part(one) for one in every]
    stand = [one for one in every if one.annunciated]
    ours = [one for one in stand if Audience.OPERATOR_ALARM in one.audience]
    return Counts(
        alarms=len(ours),
        unacknowledged=sum(one.state in UNACKNOWLEDGED for one in ours),
        notices=len(stand) - len(ours),
        kept_back=parts.count(Part.KEPT_BACK),
        waiting=parts.count(Part.WAITING),
    )


def _built(alarm: Alarm, state: State, now: datetime, entry: Entry | None) -> AlarmRow:
    return AlarmRow(**row(alarm, state, now, entry))


def row(alarm: Alarm, state: State, now: datetime, entry: Entry | None) -> dict[str, Any]:
    """The members of its AlarmRow. entry: of the catalogue; None: not known."""
    audience, priority = alarm.audience, alarm.priority
    if not audience and entry is not None:  # it never came
        audience, priority = entry.audiences, entry.urgency
    normal = alarm.state == AlarmState.NORMAL
    came = alarm.since if normal else alarm.condition_since or alarm.since
    asks = alarm.annunciated and Audience.OPERATOR_ALARM in audience
    return {
        "id": shown(alarm.id),
        "entry": shown(alarm.entry),
        "relay": alarm.subject or None,
        "position": _position(alarm, state),
        "part": part(alarm),
        "state": alarm.letter,
        "state_says": STATE_NAME[alarm.letter],
        "unacknowledged": asks and alarm.state in UNACKNOWLEDGED,
        "audience": audience,
        "kind": called(audience),
        "priority": priority,
        "says": shown(alarm.says, limits.REASON_MAX),
        "came": came,
        "age_s": age_s(came, now) or 0,
        "since": alarm.since,
        "note": _note(alarm),
        "response": None if entry is None else shown(entry.response, limits.REASON_MAX),
        "time_to_respond_min": None if entry is None else entry.time_to_respond_min,
    }


def _position(alarm: Alarm, state: State) -> str:
    """network, gateway, poller: what its id begins with, where it is no relay's."""
    if alarm.subject:
        return position(alarm.subject, state)
    return shown(alarm.id.partition(".")[0].partition("-")[0])


def _note(alarm: Alarm) -> str | None:
    """What is shown of all that keeps it back, and all that it waits for."""
    told = [one.says for one in hold_lines(alarm, limits.SENTENCE_TEXT_MAX)[:1]]
    if not told and alarm.state == AlarmState.ACKNOWLEDGED and alarm.acked is not None:
        told = [ack_line(alarm.acked, limits.SENTENCE_TEXT_MAX).says]
    return "; ".join((*told, *waits(alarm))) or None
