"""What people ask for, from JSON to the typed commands of decide; bounded, or refused with why."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import fields
from datetime import UTC, date, datetime
from typing import Any, Final

from pydantic import ValidationError

from poller.alarms.requests import (
    AckAlarm,
    AlarmRequest,
    ResetLatch,
    ReturnToService,
    ShelveAlarm,
    TakeOutOfService,
    UnshelveAlarm,
)
from poller.decide import AcceptBaseline, Command, EnterReading, Pause, Refusal, Resume
from poller.model import limits
from poller.model.canonical import adapter
from poller.model.events import BulletinAdded, Event, ExceptionGiven, WorkAdded
from poller.model.nameplate import ATTRIBUTES
from poller.model.work import SettingsFile
from poller.people import AddUser, ChangeUser, RemoveUser, UserRequest
from poller.work.requests import (
    AddBulletin,
    AddWork,
    CancelWork,
    CloseBulletin,
    CloseWork,
    EndException,
    EndWork,
    EnterEvaluation,
    GiveDisposition,
    GiveException,
    LinkInvestigation,
    NoteWork,
    RecordPackage,
    RemoveSpare,
    Request,
    ShelveSpare,
    StartWork,
)

COMMANDS: Final[dict[str, type]] = {
    "baseline_accept": AcceptBaseline,
    "reading_enter": EnterReading,
    "pause": Pause,
    "resume": Resume,
    "work_add": AddWork,
    "work_start": StartWork,
    "work_end": EndWork,
    "work_cancel": CancelWork,
    "work_close": CloseWork,
    "work_note": NoteWork,
    "investigation_link": LinkInvestigation,
    "disposition_give": GiveDisposition,
    "spare_shelve": ShelveSpare,
    "spare_remove": RemoveSpare,
    "bulletin_add": AddBulletin,
    "bulletin_close": CloseBulletin,
    "evaluation_enter": EnterEvaluation,
    "exception_give": GiveException,
    "exception_end": EndException,
    "package_record": RecordPackage,
    "alarm_ack": AckAlarm,
    "alarm_shelve": ShelveAlarm,
    "alarm_unshelve": UnshelveAlarm,
    "alarm_out_of_service": TakeOutOfService,
    "alarm_return": ReturnToService,
    "alarm_reset": ResetLatch,
    "user_add": AddUser,
    "user_change": ChangeUser,
    "user_remove": RemoveUser,
}
WHO_NEEDED: Final = (
    "--who is needed: the journal keeps it\n"
    "    mend: give your name with --who NAME, or set BAYROLL_WHO"
)
HERE: Final = "bayroll"  # the command line and the page come this way; others never do
# texts that a person writes, and those without which there is no command
REASONS: Final = ("why", "text", "although", "reference", "found", "versions", "source")
NEEDED: Final = (
    "why",
    "text",
    "work",
    "investigation",
    "vendor",
    "serNum",
    "shelf",
    "zone",
    "alarm",
    "title",
    "bulletin",
    "found",
    "exception",
    "until",
    "source",
)


def command(op: str, args: dict[str, Any]) -> Command:
    """The typed command. Raises Refusal where a value is missing, unknown or too long."""
    try:
        given: Command = adapter(COMMANDS[op]).validate_python(args)
    except ValidationError as reason:
        first = reason.errors()[0]
        place = ".".join(str(part) for part in first["loc"])
        raise Refusal(f"{op}: {place}: {first['msg']}") from reason
    match given:
        case AcceptBaseline(relays=relays, why=why, reference=reference):
            if not relays:
                raise Refusal("name at least one relay")
            _text("why", why, needed=True)
            _text("reference", reference)
        case EnterReading(values=values, reference=reference, read_at=read_at):
            _values(values)
            _text("reference", reference)
            _offset(read_at)
        case Pause(why=why):
            _text("why", why, needed=True)
        case Resume():
            pass
        case _:
            _booked(given)
    return given


def _booked(given: Request | AlarmRequest | UserRequest) -> None:
    """A request to a book: every text within its bound, what is needed there."""
    for field in fields(given):
        value = getattr(given, field.name)
        if field.name in NEEDED or isinstance(value, str):
            most = limits.REASON_MAX if field.name in REASONS else limits.TEXT_MAX
            _text(field.name, value, needed=field.name in NEEDED, most=most)
    match given:
        case AddWork(relays=relays, expects=expects, start=start, end=end, settings=settings):
            if not 0 < len(relays) <= limits.WORK_RELAYS_MAX:
                raise Refusal(f"name 1 to {limits.WORK_RELAYS_MAX} relays, not {len(relays)}")
            _values(expects)
            _offset(start)
            _offset(end)
            if settings is not None:
                _settings(settings)
        case ShelveSpare(tested_on=str(day)):
            _day(day)
        case AddBulletin(relays=relays):
            _several("relays", relays, limits.WORK_RELAYS_MAX, limits.TEXT_MAX)
        case RecordPackage(relays=relays, against=against, sha256=sha256, size=size):
            _several("relays", relays, limits.RELAYS_MAX, limits.TEXT_MAX)
            _several("against", against, limits.AGAINST_MAX, limits.REASON_MAX)
            if not re.fullmatch(r"[0-9a-f]{64}", sha256) or size < 0:
                raise Refusal("the SHA-256 of a package is 64 hexadecimal digits, its size octets")
        case AckAlarm(over=over) if over != HERE:
            raise Refusal(f"who asks here asks over {HERE}")


def _several(name: str, texts: Sequence[str], count: int, most: int) -> None:
    if len(texts) > count:
        raise Refusal(f"--{name}: {len(texts)} are too many; at most {count}")
    for text in texts:
        _text(name, text, needed=True, most=most)


def _settings(settings: SettingsFile) -> None:
    _text("settings", settings.name, needed=True, most=limits.TEXT_MAX)
    _text("reviewed-by", settings.reviewed_by, most=limits.PERSON_MAX)
    for digest in (settings.sha256_before, settings.sha256_after):
        if digest is not None and not re.fullmatch(r"[0-9a-f]{64}", digest):
            raise Refusal("the SHA-256 of a settings file is 64 hexadecimal digits")


def _day(day: str) -> None:
    try:
        date.fromisoformat(day)
    except ValueError as reason:
        raise Refusal("--tested-on: write the day as 2026-03-01") from reason


def answer_to(events: Sequence[Event]) -> dict[str, Any]:
    """What a command is answered once its events are durable.

    works: ids of what it planned; entered: of bulletins and exceptions.
    """
    bodies = [event.body for event in events]
    return {
        "events": len(events),
        "kinds": [body.kind for body in bodies],
        "works": [body.work for body in bodies if isinstance(body, WorkAdded)],
        "entered": [body.bulletin for body in bodies if isinstance(body, BulletinAdded)]
        + [body.exception for body in bodies if isinstance(body, ExceptionGiven)],
    }


def person(who: str | None, uid: int) -> str:
    """How a person stands in the journal: the name they gave and the uid the kernel told."""
    if who is None or (isinstance(who, str) and not who.strip()):
        raise Refusal(WHO_NEEDED)
    _text("who", who, most=limits.PERSON_MAX)
    return f"{who} (uid {uid})"


def _text(name: str, value: object, *, needed: bool = False, most: int = limits.REASON_MAX) -> None:
    """value: None, or text, unless who asks sends what no command line would."""
    if not isinstance(value, str | None):
        raise Refusal(f"--{name}: text is needed")
    if needed and not (value and value.strip()):
        raise Refusal(f"--{name} is needed: the journal keeps it")
    if value is not None and len(value) > most:
        raise Refusal(f"--{name}: {len(value)} characters; at most {most} are kept")


def _values(values: dict[str, str]) -> None:
    if not values:
        raise Refusal("name at least one attribute, for example swRev=V2.10.00")
    for name, value in values.items():
        part = name.split(".")
        known = name in ATTRIBUTES or (
            len(part) == 3 and part[0] == "components" and part[2] in ("hwRev", "swRev")
        )
        if not known:
            raise Refusal(
                f"{name}: no nameplate attribute; use one of {', '.join(ATTRIBUTES)}, "
                "or components.NAME.swRev"
            )
        if not value or len(value) > limits.TEXT_MAX:
            raise Refusal(f"{name}: 1 to {limits.TEXT_MAX} characters, not {len(value)}")


def _offset(at: datetime) -> None:
    if at.tzinfo is None:
        raise Refusal("the time has no offset from UTC, for example +01:00")
    try:
        at.astimezone(UTC)
    except OverflowError as reason:  # the first and the last day of all, seen from UTC
        raise Refusal(f"{at.isoformat()} is no time at which anybody read anything") from reason
