"""How values read in a sentence or a table: the trade's words, device text escaped."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from typing import Final

from poller.model import limits
from poller.model.attribute_words import attribute
from poller.model.nameplate import Nameplate
from poller.model.standing import State
from poller.model.status import Behaviour, Health
from poller.model.text import shown

HEALTH: Final = {Health.OK: "ok", Health.WARNING: "warning", Health.ALARM: "alarm"}
BEHAVIOUR: Final = {
    Behaviour.ON: "on",
    Behaviour.BLOCKED: "blocked",
    Behaviour.TEST: "test",
    Behaviour.TEST_BLOCKED: "test, blocked",
    Behaviour.OFF: "off",
}
# What needs no quotes: a version or a number, of one or more words.
CLEAN: Final = re.compile(r"[A-Za-z0-9._+/:-]+(?: [A-Za-z0-9._+/:-]+)*")


def quoted(text: str) -> str:
    """Text of a device inside a sentence; in quotes where it could pass for words of ours."""
    safe = shown(text, limits.SENTENCE_TEXT_MAX)
    return safe if CLEAN.fullmatch(safe) else f'"{safe}"'


def said(text: str, most: int = limits.TEXT_MAX) -> str:
    """What a person or a map says, as the end of a sentence: with one full stop."""
    safe = shown(text.strip(), most) or "no more is said"
    return safe if safe.endswith((".", "!", "?", "…")) else f"{safe}."


def position(subject: str, state: State) -> str:
    """Q07 main 1: bay and function; the id where the state knows no such relay."""
    relay = state.relays.get(subject)
    if relay is None:
        return shown(subject, limits.SENTENCE_TEXT_MAX)
    return place(relay.bay, relay.function)


def place(bay: str, function: str) -> str:
    return " ".join(shown(part, limits.SENTENCE_TEXT_MAX) for part in (bay, function))


def what(nameplate: Nameplate) -> str:
    """Maker and model, serial number and firmware, as far as they are known."""
    maker = [quoted(text) for text in (nameplate.vendor, nameplate.model) if text is not None]
    told = [" ".join(maker)] if maker else []
    for name in ("serNum", "swRev"):
        text = getattr(nameplate, name)
        if text is not None:
            told.append(f"{attribute(name)} {quoted(text)}")
    return ", ".join(told) or "nothing about itself"


def moment(at: datetime) -> str:
    """2026-03-01 04:05:06 UTC."""
    return f"{at.astimezone(UTC).replace(tzinfo=None).isoformat(' ', 'seconds')} UTC"


def span(seconds: int) -> str:
    """The two largest units: 3 d 4 h, 2 h 5 min, 40 s."""
    days, rest = divmod(max(0, seconds), 86_400)
    hours, rest = divmod(rest, 3_600)
    minutes, rest = divmod(rest, 60)
    parts = [(days, "d"), (hours, "h"), (minutes, "min"), (rest, "s")]
    first = next((at for at, (count, _) in enumerate(parts) if count), len(parts) - 1)
    told = [parts[first], *[part for part in parts[first + 1 : first + 2] if part[0]]]
    return " ".join(f"{count} {unit}" for count, unit in told)


def age_s(at: datetime | None, now: datetime) -> int | None:
    """Whole seconds from at to now; 0 where the wall clock was put back in between."""
    return None if at is None else max(0, int((now - at).total_seconds()))


def count(number: int, one: str, many: str) -> str:
    return f"{number:,} {one if number == 1 else many}"
