"""From durable state and live readings to the bodies of messages: pure functions.

For a retained topic: what it is about just now, and the body of each. The table is in topics.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from heapq import nlargest
from typing import Any, Final, Generic, Literal, TypeAlias, TypeVar

from poller.journal.ports import Head
from poller.model import limits
from poller.model.canonical import encode, plain
from poller.model.events import Recorded
from poller.model.nameplate import ATTRIBUTES
from poller.model.standing import Relay, State, baseline_word, shown
from poller.model.status import Quality, StatusReading
from poller.model.work import ENDED, NoteKind, Work
from poller.publishing.messages import (
    BehaviourValue,
    CountValue,
    EventMessage,
    FirmwareShown,
    FirmwareStatusMessage,
    FlagShown,
    FlagsValue,
    HealthValue,
    Message,
    NameplateMessage,
    PollerMessage,
    StatusMessage,
    TimeValue,
    WorkMessage,
)
from poller.site.register_map import StatusFields
from poller.site.settings import Site

ID_CHARACTERS: Final = 32  # half of SHA-256: no two bodies of one site meet in it


@dataclass(frozen=True, slots=True, kw_only=True)
class Body:
    """Ready to publish. digest: equal where a new message would tell nothing new.

    expires: the broker may drop it when it is old.
    """

    schema: str
    id: str
    payload: bytes
    digest: str = ""
    expires: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """All that a topic can be about. live: the last reading of each relay, not durable."""

    state: State
    live: Mapping[str, StatusReading]


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """What every body may use beside its parts. seq: the last event that it takes in."""

    site: Site
    seq: int


Parts = TypeVar("Parts", bound=tuple[object, ...])


@dataclass(frozen=True, slots=True, kw_only=True)
class Projection(Generic[Parts]):
    """How a retained topic follows from what is known.

    of: by id, the values that a body is made of. None: it is over, and cleared at each start even
    where no note says that it was published, for notes are written a little later. What is no
    longer told is cleared too, where it was published. body: looks at nothing but its parts, since
    it is asked again only when one of them is another value.
    """

    of: Callable[[Known], Iterable[tuple[str, Parts | None]]]
    body: Callable[[Source, str, Parts], Body]


# What topics are about.

OfRelay: TypeAlias = tuple[Relay]
OfReading: TypeAlias = tuple[Relay, StatusReading | None]
OfWork: TypeAlias = tuple[Work, Relay | None]


def listed(known: Known) -> Iterator[tuple[str, OfRelay | None]]:
    for name, relay in known.state.relays.items():
        yield name, (relay,) if relay.listed else None


def listed_and_read(known: Known) -> Iterator[tuple[str, OfReading | None]]:
    for name, relay in known.state.relays.items():
        yield name, (relay, known.live.get(name)) if relay.listed else None


def open_work(known: Known) -> Iterator[tuple[str, OfWork | None]]:
    """With what ended last; of all that ended there may be thousands."""
    ended = []
    for name, work in known.state.works.items():
        if work.state in ENDED:
            ended.append(work)
        else:
            yield name, (work, known.state.relays.get(work.plan.relay))
    for work in nlargest(limits.WORK_CLEARED_MAX, ended, key=lambda work: work.since):
        yield work.id, None


# Bodies.


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
    return Body(schema=message.schema, id=recorded.id, payload=payload)


def body_of(message: Message, *, ignored: Collection[str] = ()) -> Body:
    """ignored: members that alone are no reason for a new message; times of reading never are."""
    said = plain(message)
    seq = said.pop("seq", None)
    del said["id"]
    identity = _digest(said)
    told = {name: _telling(value, name in ignored) for name, value in said.items()}
    said["id"] = identity
    if seq is not None:
        said["seq"] = seq
    return Body(schema=message.schema, id=identity, payload=encode(said), digest=_digest(told))


def _telling(value: Any, ignored: bool) -> Any:
    """Of an ignored value only that it is to be had, and how well."""
    if isinstance(value, dict):
        dropped = {"at", "value"} if ignored else {"at"}
        return {name: inner for name, inner in value.items() if name not in dropped}
    return None if ignored else value


def _digest(said: dict[str, Any]) -> str:
    return hashlib.sha256(encode(said)).hexdigest()[:ID_CHARACTERS]
