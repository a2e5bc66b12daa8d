"""From a relay to the variables that OPC UA clients read of it: pure, and without the library."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from poller.model.canonical import Utc
from poller.model.nameplate import ATTRIBUTES
from poller.model.standing import Relay, baseline_word, shown
from poller.model.status import Quality
from poller.model.text import shown as safe


@dataclass(frozen=True, slots=True, kw_only=True)
class Value:
    """name: as it is browsed, and the end of its NodeId. quality: None where nothing was read yet.

    text None with a quality: the relay has no such attribute. Texts are safe to show.
    """

    name: str
    value: str | bool | tuple[str, ...] | None
    quality: Quality | None = Quality.GOOD
    at: Utc | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RelayView:
    """label: what people call it, Q07 main 1."""

    relay: str
    label: str
    values: tuple[Value, ...]


def relay_view(name: str, relay: Relay) -> RelayView:
    return RelayView(
        relay=name,
        label=safe(f"{relay.bay} {relay.function}"),
        values=tuple(_values(relay)),
    )


def _values(relay: Relay) -> Iterator[Value]:
    yield Value(name="bay", value=safe(relay.bay))
    yield Value(name="function", value=safe(relay.function))
    answered = None if relay.answering is None else Quality.GOOD
    yield Value(name="answering", value=relay.answering, quality=answered, at=relay.answering_since)
    yield from _nameplate(relay)
    yield Value(name="baseline", value=baseline_word(relay))
    yield from _firmware(relay)
    since = max((flag.since for flag in relay.flags.values()), default=None)
    yield Value(
        name="flags",
        value=tuple(safe(flag) for flag in sorted(relay.flags)),
        quality=_read(relay),
        at=since,
    )


def _nameplate(relay: Relay) -> Iterator[Value]:
    plate = shown(relay)
    quality, at = _quality(relay)
    for name in ATTRIBUTES:
        yield _text(name, getattr(plate, name, None), quality, at)
    for part in plate.components if plate is not None else ():
        for name, text in (("hwRev", part.hwRev), ("swRev", part.swRev)):
            yield _text(f"components.{safe(part.name)}.{name}", text, quality, at)


def _firmware(relay: Relay) -> Iterator[Value]:
    """Of swRev as firmwareStatus, of a component's as components.NAME.firmwareStatus."""
    for attribute in sorted({"swRev", *relay.firmware}):
        one = relay.firmware.get(attribute)
        owner = safe(attribute.removesuffix("swRev"))
        quality = None if one is None else Quality.GOOD
        at = None if one is None else one.since
        status = None if one is None else one.status.value
        yield _text(f"{owner}firmwareStatus", status, quality, at)
        yield _text(f"{owner}firmwareTarget", None if one is None else one.target, quality, at)


def _text(name: str, text: str | None, quality: Quality | None, at: datetime | None) -> Value:
    return Value(name=name, value=None if text is None else safe(text), quality=quality, at=at)


def _quality(relay: Relay) -> tuple[Quality | None, datetime | None]:
    """Of its nameplate, and since when that has been so."""
    if relay.nameplate is None:
        manual = relay.manual
        return (None, None) if manual is None else (Quality.MANUAL, manual.read_at)
    return _read(relay), relay.nameplate_since


def _read(relay: Relay) -> Quality | None:
    if relay.nameplate is None:
        return None
    stale = relay.answering is False or relay.unreadable_since is not None
    return Quality.STALE if stale else Quality.GOOD
