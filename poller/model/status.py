"""How a relay is: health, behaviour, flags, and the small numbers around them.

Health and behaviour are HealthKind and BehaviourModeKind of IEC 61850-7-4 (NSD 2007B5).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum, StrEnum
from typing import Final

from poller.model.canonical import Utc


class Quality(StrEnum):
    GOOD = "good"
    STALE = "stale"  # was good; the relay has not answered since
    BAD = "bad"  # answered, but not with a value that can be one
    MANUAL = "manual"  # read by a person at the front panel


class Health(IntEnum):
    OK = 1
    WARNING = 2
    ALARM = 3


class Behaviour(IntEnum):
    ON = 1
    BLOCKED = 2
    TEST = 3
    TEST_BLOCKED = 4
    OFF = 5


LIFECYCLE_FLAGS: Final = (
    "firmware_changed",
    "hardware_changed",
    "settings_changed",
    "restart_pending",
    "support_ending",
    "support_ended",
)
OTHER_FLAGS: Final = ("storage_low", "relay_failure")


@dataclass(frozen=True, slots=True, kw_only=True)
class Status:
    """One reading. None: the map has no such field, or the value was not plausible."""

    health: Health | None = None
    behaviour: Behaviour | None = None
    flags: tuple[tuple[str, bool], ...] = ()  # every flag the map can tell, sorted by name
    setting_group: int | None = None
    free_memory_kb: int | None = None
    stored_records: int | None = None
    uptime_s: int | None = None
    relay_time: Utc | None = None  # the relay's own clock, if mapped


@dataclass(frozen=True, slots=True, kw_only=True)
class StatusReading:
    status: Status
    quality: Quality
    at: Utc  # UTC of the reply
    bad: tuple[str, ...] = ()  # names of values that were not plausible in this reading

    def quality_of(self, name: str) -> Quality:
        """The quality of one value: health, flags, free_memory_kb."""
        return Quality.BAD if name in self.bad else self.quality
