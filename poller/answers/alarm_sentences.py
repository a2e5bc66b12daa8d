"""Sentences for events about alarms."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

from poller.answers.words import moment, quoted, said
from poller.answers.work_sentences import by
from poller.model import events as ev
from poller.model import limits
from poller.model.alarms import AlarmState, Audience, Happening, Inhibit, Timer

INHIBIT: Final = {
    Inhibit.SHELVED: "shelved",
    Inhibit.SUPPRESSED: "suppressed by design",
    Inhibit.OUT_OF_SERVICE: "taken out of service",
}
RELEASED: Final = {
    Inhibit.SHELVED: "was unshelved",
    Inhibit.SUPPRESSED: "is no longer suppressed by design",
    Inhibit.OUT_OF_SERVICE: "was returned to service",
}
TIMER: Final = {
    (Timer.ON_DELAY, True): "comes on {} if its condition stands until then",
    (Timer.ON_DELAY, False): "does not come; its condition did not stand for so long",
    (Timer.OFF_DELAY, True): "ends on {} if its condition stays away until then",
    (Timer.OFF_DELAY, False): "stays; its condition came back",
}
AUDIENCE: Final = {
    Audience.OPERATOR_ALARM: "alarm",
    Audience.ENGINEERING_NOTICE: "notice",
    Audience.SECURITY_EVENT: "security event",
}


def called(audience: tuple[Audience, ...]) -> str:
    """alarm and security event."""
    return " and ".join(AUDIENCE[one] for one in audience) or "alarm"


def _moved(body: ev.AlarmMoved, event: ev.Event) -> str:
    name = f"{called(body.audience)} {quoted(body.alarm)}"
    kept = "" if body.annunciated else ", and is kept from the list"
    match body.happening:
        case Happening.OCCURS:
            again = "" if body.before == AlarmState.NORMAL else " again"
            often = ", and so often that it is held until it rests" if body.chattering else ""
            return f"{name} ({body.priority} priority) came{again}{often}{kept}: {said(body.says)}"
        case Happening.RETURNS:
            asks = Audience.OPERATOR_ALARM in body.audience and body.after == AlarmState.RETURNED
            unseen = ", and was not acknowledged yet" if asks else ""
            reset = "" if body.comment is None else f", reset{by(event)}: {said(body.comment)}"
            return f"{name} is over{unseen}{kept}{reset or '.'}"
        case Happening.ACKNOWLEDGED:
            if Audience.OPERATOR_ALARM not in body.audience:
                return f"{name} asks for no acknowledgement."
            comment = f": {said(body.comment)}" if body.comment else "."
            return f"{name} was acknowledged{by(event)}{comment}"
        case Happening.RELEASED_NORMAL:
            return f"{name} was over when it came back to the list."
    return f"{name} ({body.priority} priority) came back to the list: {said(body.says)}"


def _timer(body: ev.TimerSet, event: ev.Event) -> str:
    until = "" if body.until is None else moment(body.until)
    words = TIMER[body.timer, body.until is not None].format(until)
    return f"alarm {quoted(body.alarm)} {words}."


def _inhibited(body: ev.AlarmInhibited, event: ev.Event) -> str:
    until = "" if body.until is None else f" until {moment(body.until)}"
    name = f"alarm {quoted(body.alarm)}"
    if body.inhibit == Inhibit.SUPPRESSED:
        return f"{name} was {INHIBIT[body.inhibit]}: work {quoted(body.why)} causes it."
    return f"{name} was {INHIBIT[body.inhibit]}{by(event)}{until}: {said(body.why)}"


def _released(body: ev.AlarmReleased, event: ev.Event) -> str:
    return f"alarm {quoted(body.alarm)} {RELEASED[body.inhibit]}{by(event)}: {said(body.why)}"


def _latched(body: ev.AlarmLatched, event: ev.Event) -> str:
    if body.held:
        return f"alarm {quoted(body.alarm)}: its condition is over; it is held until it is reset."
    return f"alarm {quoted(body.alarm)}: its condition came back while it was held."


def _rated(body: ev.AlarmRated, event: ev.Event) -> str:
    kind = called(body.audience)
    return f"{quoted(body.alarm)} is of {body.priority} priority by the catalogue now, as {kind}."


def _block(body: ev.PointBlockAssigned, event: ev.Event) -> str:
    whose = (
        "its points" if event.subject else f"the points of {quoted(body.owner or 'the station')}"
    )
    return f"{whose} stand in block {body.block} for ever."


def _places(body: ev.PointPlacesAssigned, event: ev.Event) -> str:
    some = [quoted(one) for one in body.entries[: limits.SENTENCE_CHANGES_MAX]]
    more = len(body.entries) - len(some)
    told = ", ".join(some) + (f" and {more:,} more" if more > 0 else "")
    return f"in every block of points these alarms have their places, from {body.first} on: {told}."


ABOUT_ALARMS: Final[dict[str, Callable[[Any, ev.Event], str]]] = {
    "alarm_moved": _moved,
    "timer_set": _timer,
    "alarm_inhibited": _inhibited,
    "alarm_released": _released,
    "alarm_latched": _latched,
    "alarm_rated": _rated,
    "point_block_assigned": _block,
    "point_places_assigned": _places,
}
