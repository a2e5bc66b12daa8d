"""A full picture of one alarm. Text of devices and people in it is as model.text.shown gives it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Final

from poller.answers import alarms
from poller.answers.alarm_words import AckLine, HoldLine, ack_line, hold_lines, waits
from poller.answers.alarms import AlarmRow
from poller.model import limits
from poller.model.alarms import STATE_NAME, Alarm, AlarmState, Audience, Inhibit
from poller.model.canonical import Utc
from poller.model.standing import State
from poller.model.text import shown
from poller.site.alarm_catalogue import Catalogue, Entry


@dataclass(frozen=True, slots=True, kw_only=True)
class Rationalisation:
    """What the catalogue says of its entry; time_to_respond_min in minutes, delays in seconds."""

    condition: str
    consequence: str
    response: str
    time_to_respond_min: int
    on_delay_s: int
    off_delay_s: int
    latching: bool
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmPicture(AlarmRow):
    """stands: A to D, beneath what keeps it back. recent: when the operator was told, the last ten.

    on_until, off_until: when the delays that run are over. latched: it is held until it is reset.
    waits: what it waits for, in words. acknowledged: the last time, of what it told of last. next:
    what a person does now.
    """

    stands: str
    stands_says: str
    occurrences: int
    recent: tuple[Utc, ...]
    chattering: bool
    latched: bool
    on_until: Utc | None
    off_until: Utc | None
    waits: tuple[str, ...]
    acknowledged: AckLine | None
    inhibits: tuple[HoldLine, ...]
    rationalisation: Rationalisation | None
    next: str


NEXT_KEPT_BACK: Final = {
    Inhibit.OUT_OF_SERVICE: "when it is to be told again: bayroll alarms return {id}",
    Inhibit.SUPPRESSED: "nothing: what still stands after the work is told then",
    Inhibit.SHELVED: "nothing: it comes back by itself; sooner: bayroll alarms unshelve {id}",
}


def picture(
    alarm: Alarm, state: State, now: datetime, catalogue: Catalogue | None = None
) -> AlarmPicture:
    """Everything that is known of it. catalogue: None where it can't be read."""
    entries = () if catalogue is None else catalogue.entries
    entry = next((one for one in entries if one.id == alarm.entry), None)
    return AlarmPicture(
        **alarms.row(alarm, state, now, entry),
        stands=alarm.state.value,
        stands_says=STATE_NAME[alarm.state.value],
        occurrences=alarm.occurrences,
        recent=alarm.recent,
        chattering=alarm.chattering,
        latched=alarm.latched,
        on_until=alarm.on_until,
        off_until=alarm.off_until,
        waits=waits(alarm),
        acknowledged=None if alarm.acked is None else ack_line(alarm.acked),
        inhibits=hold_lines(alarm),
        rationalisation=None if entry is None else _rationalisation(entry),
        next=_next(alarm, catalogue),
    )


def _rationalisation(entry: Entry) -> Rationalisation:
    most = limits.REASON_MAX
    return Rationalisation(
        condition=entry.condition,
        consequence=shown(entry.consequence, most),
        response=shown(entry.response, most),
        time_to_respond_min=entry.time_to_respond_min,
        on_delay_s=entry.on_delay_s,
        off_delay_s=entry.off_delay_s,
        latching=entry.latching,
        reason=shown(entry.reason, most),
    )


def _next(alarm: Alarm, catalogue: Catalogue | None) -> str:
    inhibit = alarm.inhibits.shown
    if inhibit is not None:
        told = NEXT_KEPT_BACK[inhibit]
    elif alarm.state == AlarmState.NORMAL:
        told = "nothing"
    elif alarm.state in alarms.UNACKNOWLEDGED and Audience.OPERATOR_ALARM in alarm.audience:
        over = "bayroll" if catalogue is None else catalogue.acknowledged_over
        told = "bayroll alarms ack {id}" if over == "bayroll" else f"acknowledge it over {over}"
    elif alarm.latched:
        told = "when it was seen to: bayroll alarms reset {id}"
    else:
        told = "what its response says; it goes when its condition is over"
    return told.format(id=shown(alarm.id))
