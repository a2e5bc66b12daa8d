"""The bodies of messages, made of what they are about: pure functions."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from operator import attrgetter
from typing import Any, Final, Literal

from poller.journal.ports import Head
from poller.model.canonical import encode, plain, stamp
from poller.model.events import Recorded
from poller.model.nameplate import ATTRIBUTES
from poller.model.standing import Relay, baseline_word, shown
from poller.model.status import Quality, StatusReading
from poller.model.work import NoteKind
from poller.publishing.messages import (
    BehaviourValue,
    CountValue,
    FirmwareShown,
    FirmwareStatusMessage,
    FlagShown,
    FlagsValue,
    HealthValue,
    NameplateMessage,
    PollerMessage,
    StatusMessage,
    TimeValue,
    WorkMessage,
)
from poller.publishing.projections import Body, OfReading, OfRelay, OfWork, Source, body_of
from poller.site.register_map import StatusFields


def poller_body(
    *,
    site: str,
    version: str,
    state: Literal["online", "offline"],
    head: Head | None,
    at: datetime | None,
) -> Body:
    message = PollerMessage(id="", site=site, state=state, version=version, head=head, at=at)
    return body_of(message, ignored={"at"})


_OF_NAMEPLATE: Final = attrgetter(
    *("bay", "function", "nameplate", "manual", "answering", "nameplate_since", "map", "baseline")
)
_OF_FIRMWARE: Final = attrgetter("bay", "function", "firmware")


def looks_at_nameplate(parts: OfRelay) -> object:
    """All that nameplate_body looks at: most changes of a relay are none of these."""
    return _OF_NAMEPLATE(parts[0])


def looks_at_firmware(parts: OfRelay) -> object:
    """All that firmware_status_body looks at."""
    return _OF_FIRMWARE(parts[0])


def nameplate_body(source: Source, relay_id: str, parts: OfRelay) -> Body:
    (relay,) = parts
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
        site=source.site.file.site,
        relay=relay_id,
        seq=source.seq,
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
    return body_of(message)


def _baseline(relay: Relay) -> Literal["new", "accepted", "differs"]:
    match baseline_word(relay):
        case "new":
            return "new"
        case "accepted":
            return "accepted"
        case _:
            return "differs"


TICKING: Final = {"uptime_s", "relay_time"}  # move by themselves in every relay


def status_body(source: Source, relay_id: str, parts: OfReading) -> Body:
    relay, reading = parts
    chosen = source.site.maps.get(relay.map) if relay.map is not None else None
    mapped = None if chosen is None else chosen.status
    see = _Sight(relay, reading, mapped)
    message = StatusMessage(
        id="",
        site=source.site.file.site,
        relay=relay_id,
        seq=source.seq,
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
    return body_of(message, ignored=ticking)


EVENT_SCHEMA: Final = "bayroll/event/1"
ANSWERING: Final[dict[bool | None, Literal["answering", "silent", "not_tried"]]] = {
    True: "answering",
    False: "silent",
    None: "not_tried",
}


@dataclass(frozen=True, slots=True)
class _Sight:
    """What is known of a relay's values: read now, or before the poller started.

    mapped: the fields of its map; None: the map is not known.
    """

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


def firmware_status_body(source: Source, relay_id: str, parts: OfRelay) -> Body:
    (relay,) = parts
    message = FirmwareStatusMessage(
        id="",
        site=source.site.file.site,
        relay=relay_id,
        seq=source.seq,
        bay=relay.bay,
        function=relay.function,
        firmware=tuple(
            FirmwareShown(
                attribute=attribute,
                version=one.version,
                target=one.target,
                status=one.status,
                rule=one.rule,
                since=one.since,
            )
            for attribute, one in sorted(relay.firmware.items())
        ),
    )
    return body_of(message)


def work_body(source: Source, work_id: str, parts: OfWork) -> Body:
    work, relay = parts
    notes = [note for kind in NoteKind if (note := work.noted(kind)) is not None]
    message = WorkMessage(
        id="",
        site=source.site.file.site,
        work=work_id,
        seq=source.seq,
        relay=work.plan.relay,
        bay=relay.bay if relay else None,
        function=relay.function if relay else None,
        state=work.state,
        since=work.since,
        why=work.why,
        plan=work.plan,
        by=work.by,
        entered_at=work.entered_at,
        started_at=work.started_at,
        ended_at=work.ended_at,
        reread_at=work.reread_at,
        tries=work.tries,
        lines=work.lines,
        held_since=work.held_since,
        proven=work.proven,
        notes=tuple(sorted(notes, key=lambda note: note.at)),
        overridden=work.overridden,
    )
    return body_of(message)


def event_body(recorded: Recorded, *, site: str, bytes_max: int | None = None) -> Body:
    """bytes_max: the longest payload the broker takes; None: it has not said."""
    body = recorded.event.body
    # EventMessage as plain data, spelled out: a third of the time, and there are as many as events
    said = {
        "id": recorded.id,
        "schema": EVENT_SCHEMA,
        "site": site,
        "seq": recorded.seq,
        "at": stamp(recorded.event.at),
        "kind": body.kind,
        "v": body.v,
        "subject": recorded.event.subject,
        "body": plain(body),
        "cause": recorded.event.cause,
        "by": recorded.event.by,
        "hash": recorded.hash,
        "omitted_bytes": None,
    }
    payload = encode(said)
    if bytes_max is not None and len(payload) > bytes_max:
        payload = encode({**said, "body": None, "omitted_bytes": len(payload)})
    return Body(schema=EVENT_SCHEMA, id=recorded.id, payload=payload)
