"""How an event moves the book of alarms. No configuration, clock or decision is in here."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any, Final

from poller.model import events as ev
from poller.model import limits
from poller.model.alarms import Ack, Alarm, AlarmState, Happening, Hold, Inhibit, Timer

Book = dict[str, Alarm]
Fold = Callable[[Alarm, Any, ev.Event], Alarm]


def _moved(alarm: Alarm, body: ev.AlarmMoved, event: ev.Event) -> Alarm:
    now: dict[str, Any] = {}
    if body.happening in (Happening.OCCURS, Happening.RETURNS):  # it has caught up
        now |= {"on_until": None, "off_until": None, "latched": False}
    if body.after == AlarmState.UNACKNOWLEDGED:
        now["acked"] = None
        if body.annunciated:
            now["recent"] = (*alarm.recent, event.at)[-limits.ALARM_RECENT_MAX :]
    match body.happening:
        case Happening.OCCURS:
            now["occurrences"] = alarm.occurrences + 1
        case Happening.ACKNOWLEDGED:
            now["acked"] = Ack(by=event.by, at=event.at, comment=body.comment or "")
    return replace(
        alarm,
        audience=body.audience,
        priority=body.priority,
        state=body.after,
        since=event.at,
        says=body.says,
        condition_since=body.since,
        occurrence=body.occurrence,
        chattering=body.chattering,
        **now,
    )


def _timer(alarm: Alarm, body: ev.TimerSet, event: ev.Event) -> Alarm:
    if body.timer == Timer.ON_DELAY:
        return replace(alarm, on_until=body.until)
    return replace(alarm, off_until=body.until)


def _inhibited(alarm: Alarm, body: ev.AlarmInhibited, event: ev.Event) -> Alarm:
    hold = Hold(since=event.at, why=body.why, by=event.by, until=body.until)
    return _held(alarm, body.inhibit, hold)


def _held(alarm: Alarm, inhibit: Inhibit, hold: Hold | None) -> Alarm:
    return replace(alarm, inhibits=alarm.inhibits.with_(inhibit, hold))


FOLDS: Final[dict[str, Fold]] = {
    "alarm_moved": _moved,
    "timer_set": _timer,
    "alarm_inhibited": _inhibited,
    "alarm_released": lambda a, b, e: _held(a, b.inhibit, None),
    "alarm_latched": lambda a, b, e: replace(a, latched=b.held, off_until=None),
    "alarm_rated": lambda a, b, e: replace(a, audience=b.audience, priority=b.priority),
}
"""Events about one alarm: how each moves it."""

BEGINS: Final = (ev.AlarmMoved, ev.TimerSet, ev.AlarmInhibited)
"""Events with which the book comes to know an alarm."""


def folded(book: Book, event: ev.Event) -> Book:
    """The book after an event of FOLDS. One about an alarm that was dropped changes nothing."""
    body: Any = event.body
    alarm = book.get(body.alarm)
    if alarm is None:
        if not isinstance(body, BEGINS):
            return book
        alarm = Alarm(id=body.alarm, entry=body.entry, subject=event.subject, since=event.at)
    return bounded({**book, body.alarm: FOLDS[body.kind](alarm, body, event)})


def bounded(book: Book) -> Book:
    """Without the oldest of those at rest, as far as there are too many."""
    over = len(book) - limits.ALARMS_KEPT
    if over <= 0:
        return book
    at_rest = sorted((one.since, one.id) for one in book.values() if not one.stands)
    gone = {name for _, name in at_rest[:over]}
    return {name: one for name, one in book.items() if name not in gone}


def stepped(book: Book, by_ms: int) -> Book:
    """Delays and limits have their length, whatever is done to the clock meanwhile."""
    return {name: _shifted(alarm, by_ms) for name, alarm in book.items()}


def _shifted(alarm: Alarm, by_ms: int) -> Alarm:
    shelved = alarm.inhibits.shelved
    if shelved is not None:
        alarm = _held(alarm, Inhibit.SHELVED, replace(shelved, until=_later(shelved.until, by_ms)))
    return replace(
        alarm,
        on_until=_later(alarm.on_until, by_ms),
        off_until=_later(alarm.off_until, by_ms),
        recent=tuple(_at(one, by_ms) for one in alarm.recent),
    )


def _later(at: datetime | None, by_ms: int) -> datetime | None:
    return None if at is None else _at(at, by_ms)


def _at(at: datetime, by_ms: int) -> datetime:
    try:
        return at + timedelta(milliseconds=by_ms)
    except OverflowError:  # a clock that leaves the calendar: it is over by any other
        return at
