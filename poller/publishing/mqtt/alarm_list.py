"""The operator's list of alarms as retained messages: one while an alarm is not normal."""

from __future__ import annotations

from collections.abc import Iterator
from heapq import nlargest
from typing import Any, TypeAlias

from poller.model import limits
from poller.model.alarms import Ack, Alarm, AlarmState, Audience, Hold
from poller.model.standing import Relay
from poller.publishing.messages import AckShown, AlarmMessage, HoldShown
from poller.publishing.projections import Body, Known, Source, body_of
from poller.site.shipped_alarms import catalogue_of

OfAlarm: TypeAlias = tuple[Alarm, Relay | None]


def not_normal(known: Known) -> Iterator[tuple[str, OfAlarm | None]]:
    """Alarms for the operator; with what was over last, of which there may be thousands."""
    over = []
    for name, alarm in known.state.alarms.items():
        # whom it is for is not known of one that was put away before it ever came
        notice = alarm.audience and Audience.OPERATOR_ALARM not in alarm.audience
        if notice or alarm.letter == AlarmState.NORMAL:
            over.append(alarm)
        else:
            yield name, (alarm, known.state.relays.get(alarm.subject))
    for alarm in nlargest(limits.ALARMS_CLEARED_MAX, over, key=lambda alarm: alarm.since):
        yield alarm.id, None


def alarm_body(source: Source, alarm_id: str, parts: OfAlarm) -> Body:
    alarm, relay = parts
    entries = catalogue_of(source.site).entries
    entry = next((one for one in entries if one.id == alarm.entry), None)
    letter: Any = alarm.letter
    message = AlarmMessage(
        id="",
        site=source.site.file.site,
        alarm=alarm_id,
        seq=source.seq,
        entry=alarm.entry,
        relay=alarm.subject or None,
        bay=relay.bay if relay else None,
        function=relay.function if relay else None,
        audience=alarm.audience or (entry.audiences if entry else ()),
        priority=alarm.priority,
        state=letter,
        active=alarm.active,
        says=alarm.says,
        since=alarm.since,
        condition_since=alarm.condition_since,
        occurrences=alarm.occurrences,
        chattering=alarm.chattering,
        latched=alarm.latched,
        acknowledged=_ack(alarm.acked),
        shelved=_hold(alarm.inhibits.shelved),
        suppressed=_hold(alarm.inhibits.suppressed),
        out_of_service=_hold(alarm.inhibits.out_of_service),
        consequence=None if entry is None else entry.consequence,
        response=None if entry is None else entry.response,
        time_to_respond_min=None if entry is None else entry.time_to_respond_min,
    )
    return body_of(message)


def _ack(ack: Ack | None) -> AckShown | None:
    return None if ack is None else AckShown(by=ack.by, at=ack.at, comment=ack.comment)


def _hold(hold: Hold | None) -> HoldShown | None:
    if hold is None:
        return None
    return HoldShown(since=hold.since, until=hold.until, why=hold.why, by=hold.by)
