"""What people ask of alarms. Each is answered by poller.alarms.book, or refused with why."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias


@dataclass(frozen=True, slots=True, kw_only=True)
class AckAlarm:
    """over: where it is asked: bayroll (command line, page), mqtt or opcua; see the catalogue."""

    alarm: str
    why: str  # the comment
    over: str = "bayroll"


@dataclass(frozen=True, slots=True, kw_only=True)
class ShelveAlarm:
    """for_s: seconds from now, at most what the catalogue says."""

    alarm: str
    for_s: int
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class UnshelveAlarm:
    alarm: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeOutOfService:
    alarm: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ReturnToService:
    alarm: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ResetLatch:
    """Its condition is over, and a person has seen that it was."""

    alarm: str
    why: str


AlarmRequest: TypeAlias = (
    AckAlarm | ShelveAlarm | UnshelveAlarm | TakeOutOfService | ReturnToService | ResetLatch
)
