"""From an alarm to the condition that OPC UA clients see: pure, and without the library.

An alarm of the book is an AlarmConditionType. Its subtypes ask for what we do not have: an
OffNormalAlarmType names the node that holds the normal value, a DiscreteAlarmType the one that is
watched, and a change of firmware is no value of a node.
Source: OPC 10000-9 (Alarms and Conditions), 5.5 to 5.9, and OPC 10000-5, 6.4.2; from memory.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

from poller.model import limits
from poller.model.alarms import Alarm, AlarmState, Audience, Hold, Priority
from poller.model.canonical import Utc, encode, plain
from poller.model.text import shown

EVENT_ID_OCTETS: Final = 16
ACKNOWLEDGED: Final = (AlarmState.NORMAL, AlarmState.ACKNOWLEDGED)


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """All that a client may be told of one alarm; texts are safe to show.

    source: the id of its relay, "" where it is of several or the poller's. time: of the last thing
    that happened to it. comment, commented_at, by: of what a person last said of it. unacked_since:
    since when it waits for an acknowledgement; what was told of it before is not what waits.
    """

    alarm: str
    source: str
    source_name: str
    message: str
    severity: int
    last_severity: int
    time: Utc
    active: bool
    acked: bool
    suppressed: bool
    out_of_service: bool
    shelved: bool
    shelved_until: Utc | None
    latched: bool
    comment: str
    commented_at: Utc | None
    by: str | None
    unacked_since: Utc | None

    @property
    def name(self) -> str:
        """Of several of one source each has its own."""
        return self.alarm.removeprefix(f"{self.source}.") if self.source else self.alarm

    @property
    def suppressed_or_shelved(self) -> bool:
        return self.suppressed or self.out_of_service or self.shelved

    @property
    def retain(self) -> bool:
        """Who comes anew has to be told of it: OPC 10000-9, 5.5.2."""
        return self.active or not self.acked or self.suppressed_or_shelved

    @property
    def event_id(self) -> str:
        """Hexadecimal digits; the same after a restart, by what an alarm itself carries."""
        carried = replace(self, last_severity=0, unacked_since=None)
        return hashlib.sha256(encode(plain(carried))).hexdigest()[: 2 * EVENT_ID_OCTETS]


def is_shown(alarm: Alarm) -> bool:
    """It is for the operator, as far as is known, and there is or was something to tell."""
    if alarm.audience and Audience.OPERATOR_ALARM not in alarm.audience:
        return False
    return alarm.occurrences > 0 or alarm.letter != AlarmState.NORMAL


def condition_of(
    alarm: Alarm,
    *,
    severities: Mapping[Priority, int],
    source: str,
    source_name: str,
    before: Condition | None = None,
    at: datetime | None = None,
) -> Condition:
    """before: as it was told last; at: of the event that moved it, None where nobody knows."""
    severity = severities[alarm.priority]
    last_severity = severity
    if before is not None:
        moved = before.severity != severity
        last_severity = before.severity if moved else before.last_severity
    said = _said(alarm)
    shelved = alarm.inhibits.shelved
    now = Condition(
        alarm=alarm.id,
        source=source,
        source_name=shown(source_name),
        message=shown(_message(alarm), limits.SENTENCE_MAX),
        severity=severity,
        last_severity=last_severity,
        time=at or _last(alarm),
        active=alarm.active,
        acked=alarm.state in ACKNOWLEDGED,
        suppressed=alarm.inhibits.suppressed is not None,
        out_of_service=alarm.inhibits.out_of_service is not None,
        shelved=shelved is not None,
        shelved_until=None if shelved is None else shelved.until,
        latched=alarm.latched,
        comment="" if said is None else shown(said.why, limits.REASON_MAX),
        commented_at=None if said is None else said.since,
        by=None if said is None or said.by is None else shown(said.by),
        unacked_since=_unacked_since(alarm, before),
    )
    if before is not None and replace(now, time=before.time) == before:
        return before  # nothing that a client sees
    return now


def _message(alarm: Alarm) -> str:
    """Of one that was put away before it was ever there: that, and why."""
    put_away = {
        "suppressed by design": alarm.inhibits.suppressed,
        "out of service": alarm.inhibits.out_of_service,
        "shelved": alarm.inhibits.shelved,
    }
    said = (f"{how}: {hold.why}" for how, hold in put_away.items() if hold is not None)
    return alarm.says or next(said, "")


def _last(alarm: Alarm) -> datetime:
    """When something last happened to it, as far as it carries that."""
    times = [alarm.since, *(hold.since for hold in _holds(alarm))]
    return max(times)


def _holds(alarm: Alarm) -> list[Hold]:
    inhibits = alarm.inhibits
    all_of = (inhibits.shelved, inhibits.suppressed, inhibits.out_of_service)
    return [hold for hold in all_of if hold is not None]


def _said(alarm: Alarm) -> Hold | None:
    """The last comment of a person: an acknowledgement, or why it was put away."""
    said = [hold for hold in _holds(alarm) if hold.by is not None]
    if alarm.acked is not None:
        acked = alarm.acked
        said.append(Hold(since=acked.at, why=acked.comment, by=acked.by))
    return max(said, key=lambda hold: hold.since, default=None)


def _unacked_since(alarm: Alarm, before: Condition | None) -> datetime | None:
    """Each time that the operator is told anew; it may return to normal meanwhile."""
    if alarm.state in ACKNOWLEDGED:
        return None
    if alarm.state == AlarmState.RETURNED and before is not None:
        return before.unacked_since or alarm.since
    return alarm.since
