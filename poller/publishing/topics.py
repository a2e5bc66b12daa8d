"""Every topic and its body: the one table from which messages, schemas and AsyncAPI are made.

Every body carries id and schema; MQTT 5 properties only repeat them. The id of an event is the
journal's; that of a retained body is a digest of what it says, so that equal bodies have equal ids.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any, Final, Literal, TypeAlias

from poller.journal.ports import Head
from poller.model.canonical import Utc
from poller.model.nameplate import Component
from poller.model.status import Behaviour, Health, Quality

# Bodies.


@dataclass(frozen=True, slots=True, kw_only=True)
class PollerMessage:
    """Whether the poller runs, and the head of its journal.

    head and at are null in the broker's own words for a poller that is gone without a goodbye.
    """

    id: str
    schema: Literal["bayroll/poller/1"] = "bayroll/poller/1"
    site: str
    state: Literal["online", "offline"]
    version: str
    head: Head | None
    at: Utc | None


@dataclass(frozen=True, slots=True, kw_only=True)
class NameplateMessage:
    """The last believed nameplate of a position; names after IEC 61850-7-3, null where absent.

    quality: null: never read; manual: a person read it at the front panel, at read_at; stale: the
    relay has not answered since. since: first reading of this nameplate. seq: the last journal
    event that this takes in.
    """

    id: str
    schema: Literal["bayroll/nameplate/1"] = "bayroll/nameplate/1"
    site: str
    relay: str
    seq: int
    bay: str
    function: str
    quality: Quality | None
    read_at: Utc | None
    since: Utc | None
    vendor: str | None
    model: str | None
    serNum: str | None
    hwRev: str | None
    swRev: str | None
    configRev: str | None
    paramRev: str | None
    location: str | None
    orderCode: str | None
    settingsId: str | None
    components: tuple[Component, ...]
    map: str | None
    baseline: Literal["new", "accepted", "differs"]


@dataclass(frozen=True, slots=True, kw_only=True)
class HealthValue:
    """HealthKind of IEC 61850-7-4: 1 ok, 2 warning, 3 alarm."""

    value: Health | None
    quality: Quality | None
    at: Utc | None


@dataclass(frozen=True, slots=True, kw_only=True)
class BehaviourValue:
    """BehaviourModeKind of IEC 61850-7-4: 1 on, 2 blocked, 3 test, 4 test/blocked, 5 off."""

    value: Behaviour | None
    quality: Quality | None
    at: Utc | None


@dataclass(frozen=True, slots=True, kw_only=True)
class CountValue:
    value: int | None
    quality: Quality | None
    at: Utc | None


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeValue:
    value: Utc | None
    quality: Quality | None
    at: Utc | None


@dataclass(frozen=True, slots=True, kw_only=True)
class FlagShown:
    """A flag that stands. since: first reading in which it stood."""

    flag: str
    says: str
    since: Utc


@dataclass(frozen=True, slots=True, kw_only=True)
class FlagsValue:
    """Those that stand; an empty list of good quality: none does."""

    standing: tuple[FlagShown, ...]
    quality: Quality | None
    at: Utc | None


@dataclass(frozen=True, slots=True, kw_only=True)
class StatusMessage:
    """How the relay is. quality null: the map tells no such value, or nothing was read yet."""

    id: str
    schema: Literal["bayroll/status/1"] = "bayroll/status/1"
    site: str
    relay: str
    seq: int
    answering: Literal["answering", "silent", "not_tried"]
    answering_since: Utc | None
    paused: bool
    health: HealthValue
    behaviour: BehaviourValue
    setting_group: CountValue
    free_memory_kb: CountValue
    stored_records: CountValue
    uptime_s: CountValue
    relay_time: TimeValue
    flags: FlagsValue


@dataclass(frozen=True, slots=True, kw_only=True)
class EventMessage:
    """One journal event. id: the same whoever delivers it and however often.

    body: by kind and v; null where it is longer than the broker takes: then omitted_bytes says how
    long this message would be, and the event is to be had from the journal by its id.
    """

    id: str
    schema: Literal["bayroll/event/1"] = "bayroll/event/1"
    site: str
    seq: int
    at: Utc
    kind: str
    v: int
    subject: str
    body: dict[str, Any] | None
    cause: str | None
    by: str | None
    hash: str
    omitted_bytes: int | None = None


Message: TypeAlias = PollerMessage | NameplateMessage | StatusMessage | EventMessage


# The table of topics.


@dataclass(frozen=True, slots=True, kw_only=True)
class Topic:
    """address: levels in braces are ids. expires: MQTT 5 lets the broker drop it when it is old."""

    name: str
    address: str
    message: type[Message]
    retained: bool
    expires: bool = False
    says: str

    def of(self, site: str, relay: str = "") -> str:
        """Levels come only from ids, which hold neither a slash nor a wildcard."""
        return self.address.format(site=site, relay=relay)

    @property
    def schema(self) -> str:
        """bayroll/status/1."""
        default = {one.name: one.default for one in fields(self.message)}["schema"]
        assert isinstance(default, str)
        return default


POLLER: Final = Topic(
    name="poller",
    address="bayroll/v1/{site}/poller",
    message=PollerMessage,
    retained=True,
    says="Whether the poller runs, and how far its journal has come. Its will says offline.",
)
NAMEPLATE: Final = Topic(
    name="nameplate",
    address="bayroll/v1/{site}/relay/{relay}/nameplate",
    message=NameplateMessage,
    retained=True,
    says="What the relay at a position is. Cleared when the position is no longer listed.",
)
STATUS: Final = Topic(
    name="status",
    address="bayroll/v1/{site}/relay/{relay}/status",
    message=StatusMessage,
    retained=True,
    expires=True,
    says="How the relay is: on a change, else every status_publish_s.",
)
EVENT: Final = Topic(
    name="event",
    address="bayroll/v1/{site}/event",
    message=EventMessage,
    retained=False,
    says="Every journal event in order. A repeated one has the same id.",
)
TOPICS: Final = (POLLER, NAMEPLATE, STATUS, EVENT)
