"""What each point says now. Of an alarm its condition only: a plain protocol acknowledges nothing.

Codes are for ever, as addresses are: one that is no longer used is not given to anything else.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from enum import IntEnum
from typing import Final

from poller.alarms.points import STATION, alarm_number, owner_of, value_number
from poller.model.alarms import Alarm, AlarmState, Audience, Priority
from poller.model.standing import Relay, State
from poller.model.work import AT_WORK, FirmwareStatus

VALUE_MAX: Final = 0xFFFF


class RelayValue(IntEnum):
    """Values of a relay by their place in its block."""

    COMMUNICATION = 0
    PRIORITY = 1
    STANDING = 2
    UNACKNOWLEDGED = 3
    FIRMWARE = 4


class StationValue(IntEnum):
    """Values of the station by their place in block 0. The first two are the output's own."""

    HEARTBEAT = 0
    READING_AGE = 1
    POLLER = 2
    JOURNAL = 3
    RELAYS = 4
    NOT_READ = 5
    HIGH = 6
    MEDIUM = 7
    LOW = 8
    UNACKNOWLEDGED = 9


class Communication(IntEnum):
    """Whether what is told of a relay is what it says now; only 1 is that."""

    NO_RELAY = 0  # the block was never used, or its relay is listed no more
    ANSWERS = 1
    SILENT = 2
    NOT_ASKED = 3  # since it was listed
    RESTS = 4  # paused, or worked on


PRIORITY: Final = {Priority.LOW: 1, Priority.MEDIUM: 2, Priority.HIGH: 3}  # 0: none stands

FIRMWARE: Final = {  # 0: not judged; the graver the higher, so that a limit can be set
    FirmwareStatus.CURRENT: 1,
    FirmwareStatus.NO_RULE: 2,
    FirmwareStatus.NOT_READ: 3,
    FirmwareStatus.APPROVED_OLDER: 4,
    FirmwareStatus.NOT_COMPARABLE: 5,
    FirmwareStatus.NEWER_THAN_TARGET: 6,
    FirmwareStatus.NOT_APPROVED: 7,
    FirmwareStatus.WITHDRAWN: 8,
}

RUNNING, NOT_RUNNING, STUCK = 1, 2, 3  # StationValue.POLLER
UNACKNOWLEDGED: Final = frozenset({AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED})


def told(alarm: Alarm) -> bool:
    """It stands in the operator's list: what is shelved, suppressed or out of service does not."""
    return alarm.annunciated and Audience.OPERATOR_ALARM in alarm.audience


def alarms_on(state: State) -> set[int]:
    """Numbers of the alarm points that are 1: told, and the condition is there (B or C)."""
    on = (alarm for alarm in state.alarms.values() if told(alarm) and alarm.active)
    found = (alarm_number(state.points, owner_of(alarm), alarm.entry) for alarm in on)
    return {number for number in found if number is not None}


def values(state: State) -> dict[int, int]:
    """Number to value, 0 to 65,535, of those that are not 0; without the output's own."""
    return {
        number: min(value, VALUE_MAX)
        for owner, place, value in _values(state)
        if value and (number := value_number(state.points, owner, place)) is not None
    }


def _values(state: State) -> Iterator[tuple[str, int, int]]:
    """(owner, place, value)."""
    standing: dict[str, list[int]] = {}
    unacknowledged: Counter[str] = Counter()
    for alarm in filter(told, state.alarms.values()):
        if alarm.active:
            standing.setdefault(alarm.subject, []).append(PRIORITY[alarm.priority])
        unacknowledged[alarm.subject] += alarm.state in UNACKNOWLEDGED
    worked_on = {work.plan.relay for work in state.works.values() if work.state in AT_WORK}
    relays = not_read = 0
    for name, relay in state.relays.items():
        if not relay.listed:
            continue
        communication = _communication(relay, name in worked_on)
        relays += 1
        not_read += communication != Communication.ANSWERS
        yield name, RelayValue.COMMUNICATION, communication
        yield name, RelayValue.PRIORITY, max(standing.get(name, ()), default=0)
        yield name, RelayValue.STANDING, len(standing.get(name, ()))
        yield name, RelayValue.UNACKNOWLEDGED, unacknowledged[name]
        firmware = max((FIRMWARE[one.status] for one in relay.firmware.values()), default=0)
        yield name, RelayValue.FIRMWARE, firmware
    ranks = Counter(rank for some in standing.values() for rank in some)
    yield STATION, StationValue.POLLER, RUNNING if state.running else NOT_RUNNING
    yield STATION, StationValue.JOURNAL, state.seq & VALUE_MAX
    yield STATION, StationValue.RELAYS, relays
    yield STATION, StationValue.NOT_READ, not_read
    yield STATION, StationValue.HIGH, ranks[PRIORITY[Priority.HIGH]]
    yield STATION, StationValue.MEDIUM, ranks[PRIORITY[Priority.MEDIUM]]
    yield STATION, StationValue.LOW, ranks[PRIORITY[Priority.LOW]]
    yield STATION, StationValue.UNACKNOWLEDGED, unacknowledged.total()


def _communication(relay: Relay, worked_on: bool) -> Communication:
    if relay.paused or worked_on:
        return Communication.RESTS
    if relay.answering is None:
        return Communication.NOT_ASKED
    return Communication.ANSWERS if relay.answering else Communication.SILENT
