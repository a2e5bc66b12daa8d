"""What keeps an alarm back, what it waits for and who acknowledged it: as values and in words.

Text of people stands in it as model.text.shown gives it.
"""

from __future__ import annotations

from dataclasses import dataclass

from poller.answers.alarm_sentences import INHIBIT, TIMER
from poller.answers.words import moment
from poller.answers.work import text
from poller.model import limits
from poller.model.alarms import INHIBIT_LETTER, Ack, Alarm, Inhibit, Timer
from poller.model.canonical import Utc
from poller.model.text import shown


@dataclass(frozen=True, slots=True, kw_only=True)
class AckLine:
    by: str | None
    at: Utc
    comment: str
    says: str


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldLine:
    """An inhibit that stands. why: a person's reason, or the id of the work that causes it."""

    inhibit: Inhibit
    since: Utc
    until: Utc | None
    by: str | None
    why: str
    says: str


def ack_line(ack: Ack, most: int = limits.REASON_MAX) -> AckLine:
    """most: characters of the comment."""
    by, comment = text(ack.by), shown(ack.comment, most)
    says = f"acknowledged by {by or 'nobody named'}: {comment or 'no more is said'}"
    return AckLine(by=by, at=ack.at, comment=comment, says=says)


def hold_lines(alarm: Alarm, most: int = limits.REASON_MAX) -> tuple[HoldLine, ...]:
    """The one that is shown first. most: characters of the reason."""
    found = []
    for inhibit in INHIBIT_LETTER:
        hold = alarm.inhibits.of(inhibit)
        if hold is None:
            continue
        by, why, says = text(hold.by), shown(hold.why, most), INHIBIT[inhibit]
        if inhibit is Inhibit.SUPPRESSED:
            says += f": work {why} causes it"
        else:
            says += "" if hold.until is None else f" until {moment(hold.until)}"
            says += f" by {by or 'nobody named'}: {why}"
        line = HoldLine(
            inhibit=inhibit, since=hold.since, until=hold.until, by=by, why=why, says=says
        )
        found.append(line)
    return tuple(found)


def waits(alarm: Alarm) -> tuple[str, ...]:
    """What it waits for."""
    told = []
    if alarm.latched:
        told.append("its condition is over, and it is held until it is reset")
    if alarm.chattering:
        told.append("it came so often that it is held until it rests")
    for timer, until in (
        (Timer.ON_DELAY, alarm.on_until),
        (Timer.OFF_DELAY, alarm.off_until),
    ):
        if until is not None:
            told.append(TIMER[timer, True].format(moment(until)))
    return tuple(told)
