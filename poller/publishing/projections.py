"""From durable state and live readings to the bodies of messages: pure functions."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final, Literal

from poller.journal.ports import Head
from poller.model.canonical import encode, plain
from poller.model.events import Recorded
from poller.model.nameplate import ATTRIBUTES
from poller.model.standing import Relay, baseline_word, shown
from poller.model.status import Quality, StatusReading
from poller.publishing.topics import (
    EVENT,
    NAMEPLATE,
    POLLER,
    STATUS,
    BehaviourValue,
    CountValue,
    EventMessage,
    FlagShown,
    FlagsValue,
    HealthValue,
    Message,
    NameplateMessage,
    PollerMessage,
    StatusMessage,
    TimeValue,
    Topic,
)
from poller.site.register_map import StatusFields

ID_CHARACTERS: Final = 32  # half of SHA-256: no two bodies of one site meet in it


@dataclass(frozen=True, slots=True, kw_only=True)
class Body:
    """Ready to publish. digest: equal where a new message would tell nothing new."""

    topic: Topic
    id: str
    payload: bytes
    digest: str = ""


def poller_body(
    *,
    site: str,
    version: str,
    state: Literal["online", "offline"],
    head: Head | None,
    at: datetime | None,
) -> Body:
    message = PollerMessage(id="", site=site, state=state, version=version, head=head, at=at)
    return _body(POLLER, message, ignored={"at"})


def nameplate_body(*, site: str, relay_id: str, relay: Relay, seq: int) -> Body:
    read = relay.nameplate is not None
    plate = shown(relay)
    quality = None
    if plate is not None:
        quality = Quality.MANUAL if not read else Quality.GOOD
    if quality is Quality.GOOD and relay.answering is False:
        quality = Quality.STALE
    attributes: dict[str, Any] = {name: getattr(plate, name, None) for name in ATTRIBUTES}
    message = NameplateMessage(
        id="",
        site=site,
        relay=relay_id,
        seq=seq,
        bay=relay.bay,
        function=relay.function,
        quality=quality,
        read_at=relay.manual.read_at if relay.manual and not read else None,
        since=relay.nameplate_since,
        components=plate.components if plate else (),
        map=relay.map,
        baseline=_baseline(relay),
        **attributes,
    )
    return _body(NAMEPLATE, message, ignored=set())


def _baseline(relay: Relay) -> Literal["new", "accepted", "differs"]:
    match baseline_word(relay):
        case "new":
            return "new"
        case "accepted":
            return "accepted"
        case _:
            return "differs"


TICKING: Final = {"uptime_s", "relay_time"}  # move by themselves in every relay


def status_body(
    *,
    site: str,
    relay_id: str,
    relay: Relay,
    seq: int,
    reading: StatusReading | None,
    mapped: StatusFields | None,
) -> Body:
    """mapped: the fields of the relay's map; None: the map is not known."""
    see = _Sight(relay, reading, mapped)
    message = StatusMessage(
        id="",
        site=site,
        relay=relay_id,
        seq=seq,
        answering=ANSWERING[relay.answering],
        answering_since=relay.answering_since,
        paused=relay.paused,
        health=HealthValue(**see.value("health", relay.health)),
        behaviour=BehaviourValue(**see.value("behaviour", relay.behaviour)),
        setting_group=CountValue(**see.value("setting_group", relay.setting_group)),
        free_memory_kb=CountValue(**see.value("free_memory_kb")),
        stored_records=CountValue(**see.value("stored_records")),
        uptime_s=CountValue(**see.value("uptime_s")),
        relay_time=TimeValue(**see.value("relay_time")),
        flags=see.flags(),
    )
    ticking = TICKING | {
        name
        for name in ("free_memory_kb", "stored_records", "setting_group", "health", "behaviour")
        if getattr(getattr(mapped, name, None), "ticking", False)
    }
    return _body(STATUS, message, ignored=ticking)


ANSWERING: Final[dict[bool | None, Literal["answering", "silent", "not_tried"]]] = {
    True: "answering",
    False: "silent",
    None: "not_tried",
}


@dataclass(frozen=True, slots=True)
class _Sight:
    """What is known of a relay's values: read now, or before the poller started."""

    relay: Relay
    reading: StatusReading | None
    mapped: StatusFields | None

    def value(self, name: str, before: object = None) -> dict[str, Any]:
        """before: the journal's word, for as long as nothing was read since the start."""
        if self.reading is None:
            return {
                "value": before,
                "quality": None if before is None else Quality.STALE,
                "at": None,
            }
        if self.mapped is not None and getattr(self.mapped, name) is None:
            return {"value": None, "quality": None, "at": None}
        value = getattr(self.reading.status, name)
        quality = self._quality(name)
        if value is None and quality is not Quality.BAD:
            return {"value": None, "quality": None, "at": None}
        return {"value": value, "quality": quality, "at": self.reading.at}

    def flags(self) -> FlagsValue:
        standing = tuple(
            FlagShown(flag=name, says=flag.says, since=flag.since)
            for name, flag in sorted(self.relay.flags.items())
        )
        if self.reading is None:
            quality = Quality.STALE if standing else None
            return FlagsValue(standing=standing, quality=quality, at=None)
        if self.mapped is not None and not self.mapped.flags:
            return FlagsValue(standing=standing, quality=None, at=None)
        return FlagsValue(standing=standing, quality=self._quality("flags"), at=self.reading.at)

    def _quality(self, name: str) -> Quality:
        assert self.reading is not None, "asked only where there is a reading"
        quality = self.reading.quality_of(name)
        silent = self.relay.answering is False
        return Quality.STALE if silent and quality is Quality.GOOD else quality


def event_body(recorded: Recorded, *, site: str, bytes_max: int | None = None) -> Body:
    """bytes_max: the longest payload the broker takes; None: it has not said."""
    body = recorded.event.body
    message = EventMessage(
        id=recorded.id,
        site=site,
        seq=recorded.seq,
        at=recorded.event.at,
        kind=body.kind,
        v=body.v,
        subject=recorded.event.subject,
        body=plain(body),
        cause=recorded.event.cause,
        by=recorded.event.by,
        hash=recorded.hash,
    )
    said = plain(message)
    payload = encode(said)
    if bytes_max is not None and len(payload) > bytes_max:
        payload = encode({**said, "body": None, "omitted_bytes": len(payload)})
    return Body(topic=EVENT, id=recorded.id, payload=payload)


def _body(topic: Topic, message: Message, *, ignored: set[str]) -> Body:
    """ignored: members that alone are no reason for a new message; times of reading never are."""
    said = plain(message)
    seq = said.pop("seq", None)
    del said["id"]
    identity = _digest(topic.name, said)
    told = {name: _telling(value, name in ignored) for name, value in said.items()}
    said["id"] = identity
    if seq is not None:
        said["seq"] = seq
    return Body(topic=topic, id=identity, payload=encode(said), digest=_digest(topic.name, told))


def _telling(value: Any, ignored: bool) -> Any:
    """Of an ignored value only that it is to be had, and how well."""
    if isinstance(value, dict):
        dropped = {"at", "value"} if ignored else {"at"}
        return {name: inner for name, inner in value.items() if name not in dropped}
    return None if ignored else value


def _digest(topic: str, said: dict[str, Any]) -> str:
    return hashlib.sha256(topic.encode() + encode(said)).hexdigest()[:ID_CHARACTERS]
