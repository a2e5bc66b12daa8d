"""The bodies of messages: what receivers are promised.

Every body carries id and schema; MQTT 5 properties only repeat them. The id of an event is the
journal's; that of a retained body is a digest of what it says, so that equal bodies have equal ids.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal, TypeAlias

from poller.journal.ports import Head
from poller.model.alarms import Audience, Priority
from poller.model.canonical import Utc
from poller.model.nameplate import Component
from poller.model.status import Behaviour, Health, Quality
from poller.model.work import FirmwareStatus, Line, Note, Plan, WorkState


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
class FirmwareShown:
    """One firmware of a relay against the approved list.

    attribute: swRev, or components.NAME.swRev. target, rule: null where no rule fits. since: when
    it came to be so.
    """

    attribute: str
    version: str | None
    target: str | None
    status: FirmwareStatus
    rule: str | None
    since: Utc


@dataclass(frozen=True, slots=True, kw_only=True)
class FirmwareStatusMessage:
    """Every firmware of a relay that was judged so far, by attribute; an empty list: none was."""

    id: str
    schema: Literal["bayroll/firmware_status/1"] = "bayroll/firmware_status/1"
    site: str
    relay: str
    seq: int
    bay: str
    function: str
    firmware: tuple[FirmwareShown, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkMessage:
    """A piece of planned work that is neither closed nor cancelled, and how far it came.

    bay, function: null where the relay was never listed. since, why: of the present state. by: who
    entered it. reread_at: the first whole nameplate pass after it ended. lines: the last
    verification; held_since: since when all that is read holds; proven: it did for the whole soak.
    notes: the last of each kind; the journal has them all. overridden: rules that a person decided
    against.
    """

    id: str
    schema: Literal["bayroll/work/1"] = "bayroll/work/1"
    site: str
    work: str
    seq: int
    relay: str
    bay: str | None
    function: str | None
    state: WorkState
    since: Utc
    why: str
    plan: Plan
    by: str | None
    entered_at: Utc
    started_at: Utc | None
    ended_at: Utc | None
    reread_at: Utc | None
    tries: int
    lines: tuple[Line, ...]
    held_since: Utc | None
    proven: bool
    notes: tuple[Note, ...]
    overridden: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class AckShown:
    by: str | None
    at: Utc
    comment: str


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldShown:
    """Something that keeps an alarm from the operator. until: null where it has no limit."""

    since: Utc
    until: Utc | None
    why: str
    by: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmMessage:
    """An alarm for the operator that is not normal, or that is kept back.

    state: A normal, B unacknowledged, C acknowledged, D returned to normal and unacknowledged;
    E shelved, F suppressed by design, G out of service, which are shown in place of the others.
    active: its condition is there, by what the delays and the latch make of it. relay, bay,
    function: null where it is of several relays. since: when it came into its state;
    condition_since: when what it tells of came to be so. acknowledged: of the present occurrence.
    consequence, response, time_to_respond_min: of its entry in the catalogue; null where the
    catalogue has that no more.
    """

    id: str
    schema: Literal["bayroll/alarm/1"] = "bayroll/alarm/1"
    site: str
    alarm: str
    seq: int
    entry: str
    relay: str | None
    bay: str | None
    function: str | None
    audience: tuple[Audience, ...]
    priority: Priority
    state: Literal["A", "B", "C", "D", "E", "F", "G"]
    active: bool
    says: str
    since: Utc
    condition_since: Utc | None
    occurrences: int
    chattering: bool
    latched: bool
    acknowledged: AckShown | None
    shelved: HoldShown | None
    suppressed: HoldShown | None
    out_of_service: HoldShown | None
    consequence: str | None
    response: str | None
    time_to_respond_min: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class AckMessage:
    """What a person at another program sends to acknowledge an alarm.

    user: who; comment: what there is to say. seen: the id of the alarm's message that they saw;
    where the alarm has moved on since, it is refused; null: whatever it is now. request: an id of
    their own choice; the same again gets the first answer; null: none.
    """

    user: str
    comment: str
    seen: str | None = None
    request: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class AckAnswerMessage:
    """What came of an acknowledgement. says: why it was refused, and how to mend it."""

    id: str
    schema: Literal["bayroll/acknowledgement/1"] = "bayroll/acknowledgement/1"
    site: str
    alarm: str
    request: str | None
    accepted: bool
    says: str
    at: Utc


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


Message: TypeAlias = (
    PollerMessage
    | NameplateMessage
    | StatusMessage
    | FirmwareStatusMessage
    | WorkMessage
    | AlarmMessage
    | AckAnswerMessage
    | EventMessage
)
Heard: TypeAlias = AckMessage
