"""The words for firmware status, planned work and what became of changes that nobody planned."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from functools import lru_cache
from typing import Final
from zoneinfo import ZoneInfo

from poller.answers.words import count, moment, quoted
from poller.model import limits
from poller.model.attribute_words import attribute
from poller.model.events import ChangeClass
from poller.model.text import shown
from poller.model.work import (
    Disposition,
    FirmwareStatus,
    Line,
    NoteKind,
    Plan,
    Work,
    WorkKind,
    WorkState,
)
from poller.work.line_names import FLAGS, TEST

FIRMWARE: Final = {
    FirmwareStatus.CURRENT: "current",
    FirmwareStatus.APPROVED_OLDER: "approved, older than the target",
    FirmwareStatus.NOT_APPROVED: "not approved",
    FirmwareStatus.WITHDRAWN: "withdrawn",
    FirmwareStatus.NEWER_THAN_TARGET: "newer than the target",
    FirmwareStatus.NOT_COMPARABLE: "not comparable with the target",
    FirmwareStatus.NO_RULE: "no rule",
    FirmwareStatus.NOT_READ: "not read",
}
# what a person should hear of first, where a relay has several firmwares
GRAVEST: Final = (
    FirmwareStatus.WITHDRAWN,
    FirmwareStatus.NOT_APPROVED,
    FirmwareStatus.NEWER_THAN_TARGET,
    FirmwareStatus.NOT_COMPARABLE,
    FirmwareStatus.APPROVED_OLDER,
    FirmwareStatus.NOT_READ,
    FirmwareStatus.NO_RULE,
    FirmwareStatus.CURRENT,
)
KIND: Final = {
    WorkKind.UPDATE: "firmware update",
    WorkKind.ROLLBACK: "firmware rollback",
    WorkKind.REPLACEMENT: "replacement",
    WorkKind.SETTINGS: "change of settings",
}
STATE: Final = {
    WorkState.PLANNED: "planned",
    WorkState.READY: "ready",
    WorkState.UNDER_WAY: "under way",
    WorkState.WAITING_FOR_RELAY: "waiting for the relay",
    WorkState.CHECKING: "checking",
    WorkState.VERIFIED: "verified",
    WorkState.NOT_DONE: "not done",
    WorkState.WRONG_VERSION: "wrong version",
    WorkState.CANCELLED: "cancelled",
    WorkState.CLOSED: "closed",
}
NOTE: Final = {
    NoteKind.REMARK: "remark",
    NoteKind.READ_BACK: "configuration read back",
    NoteKind.RECORDS_SAVED: "stored records saved, and the copies open",
    NoteKind.PARTNER_TRIPS: "partner confirmed to trip",
    NoteKind.TESTED: "functional test passed",
}
DISPOSITION: Final = {
    Disposition.EMERGENCY_REPLACEMENT: "an emergency replacement",
    Disposition.REPAIR: "a repair",
    Disposition.MISTAKE: "a mistake",
    Disposition.NOT_AUTHORISED: "not authorised",
    Disposition.FALSE_READING: "a false reading",
}
CHANGE: Final = {
    ChangeClass.WRONG_VERSION: "not the version that was planned",
    ChangeClass.REPLACED: "relay replaced",
    ChangeClass.DOWNGRADED: "firmware downgraded",
    ChangeClass.UNPLANNED: "firmware changed",
    ChangeClass.OPTIONS: "options or hardware changed",
    ChangeClass.SETTINGS: "settings changed",
    ChangeClass.TEXT_ONLY: "spelled otherwise",
    ChangeClass.PLANNED: "planned",
}
LINE: Final = {FLAGS: "lifecycle flags", TEST: "functional test"}
UNTESTED: Final = "readings verified, test not recorded"


def state_says(work: Work) -> str:
    """Where the work stands; what was read is not yet a relay that trips, so it says which."""
    word = STATE[work.state]
    if not untested(work):
        return word
    return UNTESTED if work.state is WorkState.CHECKING else f"{word}: {UNTESTED}"


def untested(work: Work) -> bool:
    """All that is read held, and since the work last began nobody noted a functional test."""
    if not work.proven or work.state not in (WorkState.CHECKING, WorkState.CLOSED):
        return False
    return work.tested is None


def meant(kind: WorkKind, expects: Mapping[str, str]) -> str:
    """What is to happen: firmware update, firmware V2.12.00 afterwards."""
    some = list(expects)[: limits.SENTENCE_CHANGES_MAX]
    told = [f"{attribute(name)} {quoted(expects[name])}" for name in some]
    if len(expects) > len(some):
        told.append(count(len(expects) - len(some), "more", "more"))
    return f"{KIND[kind]}, {', '.join(told)} afterwards" if told else KIND[kind]


def window(plan: Plan) -> str:
    """From when to when, as it was given: in its own zone, with the offset from UTC of each end."""
    return f"{local(plan.start, plan.zone)} to {local(plan.end, plan.zone)}"


def local(at: datetime, zone: str) -> str:
    """2026-03-01 09:00 +01:00 Europe/Vienna; in UTC where this machine knows no such zone."""
    known = _zone(zone)
    if known is None:
        return moment(at)
    try:
        there = at.astimezone(known)
    except OverflowError:  # at the end of the calendar
        return moment(at)
    # not isoformat for all of it: a reader wants the minute, and the offset set apart
    clock = there.replace(tzinfo=None).isoformat(" ", "minutes")
    if zone == "UTC":
        return f"{clock} UTC"
    return f"{clock} {there.isoformat()[-6:]} {shown(zone, limits.SENTENCE_TEXT_MAX)}"


@lru_cache(maxsize=64)
def _zone(name: str) -> ZoneInfo | None:
    try:
        return ZoneInfo(name)
    except (ValueError, OSError, KeyError):  # not found is a KeyError
        return None


def line_says(name: str) -> str:
    """What a line of a verification is about."""
    return LINE.get(name) or attribute(name)


def failing(lines: tuple[Line, ...]) -> tuple[Line, ...]:
    return tuple(line for line in lines if line.ok is False)
