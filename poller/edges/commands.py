"""What people ask for, from JSON to the typed commands of decide; bounded, or refused with why."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any, Final

from pydantic import ValidationError

from poller.decide import AcceptBaseline, Command, EnterReading, Pause, Refusal, Resume
from poller.model import limits
from poller.model.canonical import adapter
from poller.model.events import Event, WorkAdded
from poller.model.nameplate import ATTRIBUTES

COMMANDS: Final[dict[str, type]] = {
    "baseline_accept": AcceptBaseline,
    "reading_enter": EnterReading,
    "pause": Pause,
    "resume": Resume,
}


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
    return given


def answer_to(events: Sequence[Event]) -> dict[str, Any]:
    """What a command is answered once its events are durable. works: ids of what it planned."""
    return {
        "events": len(events),
        "kinds": [event.body.kind for event in events],
        "works": [event.body.work for event in events if isinstance(event.body, WorkAdded)],
    }


def person(who: str | None, uid: int) -> str:
    """How a person stands in the journal: the name they gave and the uid the kernel told."""
    _text("who", who, needed=True, most=limits.PERSON_MAX)
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
        raise Refusal("the time of the reading has no offset from UTC, for example +01:00")
    try:
        at.astimezone(UTC)
    except OverflowError as reason:  # the first and the last day of all, seen from UTC
        raise Refusal(f"{at.isoformat()} is no time at which anybody read anything") from reason
