"""The kinds of events: conclusions, not samples. Nouns, each with the schema of its body.

A kind's body may gain optional fields; any other change is a new version with a lift from the old.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import ClassVar, Final, TypeVar

from poller.model.alarms import AlarmState, Audience, Happening, Inhibit, Priority, Timer
from poller.model.canonical import Utc
from poller.model.due import Severity, Signature
from poller.model.nameplate import Nameplate
from poller.model.status import Behaviour, Health, Quality
from poller.model.users import Role, SessionHappening, UserHappening
from poller.model.work import Disposition, FirmwareStatus, Line, NoteKind, Plan, WorkState


class ChangeClass(StrEnum):
    """What a change of the nameplate is, most serious first."""

    WRONG_VERSION = "wrong_version"  # work was planned, and this is not its version
    REPLACED = "replaced"  # another serial number
    DOWNGRADED = "downgraded"  # firmware lower than before
    UNPLANNED = "unplanned"  # firmware changed, nobody planned it
    OPTIONS = "options"  # order code, model or hardware
    SETTINGS = "settings"  # configRev, paramRev, settingsId, location
    TEXT_ONLY = "text_only"  # spelled otherwise, ordered the same
    PLANNED = "planned"


class Order(StrEnum):
    """The present version against the one before."""

    NEWER = "newer"
    OLDER = "older"
    SAME = "same"  # the same text
    TEXT_ONLY = "text_only"  # other text, the same place in the order
    NOT_COMPARABLE = "not_comparable"


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One attribute that changed. order: versions only."""

    attribute: str
    before: str | None
    after: str | None
    change: ChangeClass
    order: Order | None = None


class Body:
    """Base of every event body. kind and v name its schema."""

    __slots__ = ()
    kind: ClassVar[str]
    v: ClassVar[int] = 1


KINDS: Final[dict[tuple[str, int], type[Body]]] = {}
B = TypeVar("B", bound=Body)


def _kind(body: type[B]) -> type[B]:
    KINDS[body.kind, body.v] = body
    return body


# The service and its site.


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class ServiceStarted(Body):
    """boot: of the computer, the same as long as it runs; None: not known. unstopped: the run
    before this one had no stop: it was killed, or the computer lost its power."""

    kind: ClassVar[str] = "service_started"
    version: str
    boot: str | None = None
    unstopped: bool = False


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class ServiceStopped(Body):
    kind: ClassVar[str] = "service_stopped"
    reason: str


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class ClockStepped(Body):
    """The wall clock moved against the monotonic clock; forward is positive."""

    kind: ClassVar[str] = "clock_stepped"
    by_ms: int


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class SiteLoaded(Body):
    """The configuration in force from here on. files: name to text; no secret stands in them."""

    kind: ClassVar[str] = "site_loaded"
    site: str
    sha256: str
    files: dict[str, str]


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class RelayListed(Body):
    kind: ClassVar[str] = "relay_listed"
    bay: str
    function: str
    address: str  # host:port/unit


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class RelayDelisted(Body):
    kind: ClassVar[str] = "relay_delisted"


# What the relay is.


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class NameplateFirstRead(Body):
    kind: ClassVar[str] = "nameplate_first_read"
    nameplate: Nameplate
    map: str
    first_new_at: Utc


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class NameplateChanged(Body):
    """change: the most serious of changes. relay_time: when the relay itself says it happened.

    work: the planned work that it was judged against.
    """

    kind: ClassVar[str] = "nameplate_changed"
    change: ChangeClass
    changes: tuple[Change, ...]
    nameplate: Nameplate
    map: str
    last_old_at: Utc | None
    first_new_at: Utc
    relay_time: Utc | None = None
    work: str | None = None


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class MapChosen(Body):
    kind: ClassVar[str] = "map_chosen"
    map: str
    before: str | None


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class NoValidMap(Body):
    """The identity was read and no listed map fits it; nothing else is decoded."""

    kind: ClassVar[str] = "no_valid_map"
    identity: Nameplate
    before: str | None


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class IdentityUnreadable(Body):
    """The relay answers, but its nameplate could not be read for so long."""

    kind: ClassVar[str] = "identity_unreadable"
    since: Utc
    reason: str


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class IdentityReadable(Body):
    kind: ClassVar[str] = "identity_readable"


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class SerialDuplicated(Body):
    """Two positions tell the same serial number: one relay at two addresses, or a wrong entry.

    others: the positions that share it; empty: it is over.
    """

    kind: ClassVar[str] = "serial_duplicated"
    serNum: str | None
    others: tuple[str, ...]


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class BaselineAccepted(Body):
    kind: ClassVar[str] = "baseline_accepted"
    nameplate: Nameplate
    why: str
    reference: str | None = None


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingEntered(Body):
    """Read by a person at the front panel."""

    kind: ClassVar[str] = "reading_entered"
    values: dict[str, str]  # attribute to text, names as in nameplate.flat
    read_at: Utc
    reference: str | None = None
    quality: Quality = Quality.MANUAL


# How the relay is.


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class FlagRose(Body):
    """last_old_at: the last reading without it; None: it stood when the poller first looked."""

    kind: ClassVar[str] = "flag_rose"
    flag: str
    says: str
    last_old_at: Utc | None
    first_new_at: Utc


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class FlagFell(Body):
    kind: ClassVar[str] = "flag_fell"
    flag: str
    last_old_at: Utc | None
    first_new_at: Utc


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class HealthChanged(Body):
    kind: ClassVar[str] = "health_changed"
    before: Health | None
    after: Health


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class BehaviourChanged(Body):
    kind: ClassVar[str] = "behaviour_changed"
    before: Behaviour | None
    after: Behaviour


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class SettingGroupChanged(Body):
    kind: ClassVar[str] = "setting_group_changed"
    before: int | None
    after: int


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class RelayRestarted(Body):
    """Its uptime fell."""

    kind: ClassVar[str] = "relay_restarted"
    uptime_before_s: int
    uptime_s: int


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class RelaySilent(Body):
    kind: ClassVar[str] = "relay_silent"
    last_answer_at: Utc | None
    reason: str


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class RelayAnswering(Body):
    kind: ClassVar[str] = "relay_answering"
    silent_since: Utc | None


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class RelaySeen(Body):
    """Once a UTC day: the nameplate was read, and so often. Coverage."""

    kind: ClassVar[str] = "relay_seen"
    day: str  # 2026-03-01
    reads_before: int  # complete nameplate reads since the last relay_seen


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class RelayPaused(Body):
    kind: ClassVar[str] = "relay_paused"
    why: str


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class RelayResumed(Body):
    kind: ClassVar[str] = "relay_resumed"


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class FindingNoted(Body):
    """Something about a relay's map or manners that a person should know, told once."""

    kind: ClassVar[str] = "finding_noted"
    finding: str  # stable name: block_split
    says: str


# Approved versions and planned work.


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class FirmwareStatusChanged(Body):
    """attribute: swRev or components.NAME.swRev. rule: of the approved list; None: none fits."""

    kind: ClassVar[str] = "firmware_status_changed"
    attribute: str
    before: FirmwareStatus | None
    after: FirmwareStatus
    version: str | None
    target: str | None
    rule: str | None


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class WorkAdded(Body):
    kind: ClassVar[str] = "work_added"
    work: str
    plan: Plan


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class RuleOverridden(Body):
    """A rule of a protection group, or of readiness, and a person decided against it."""

    kind: ClassVar[str] = "rule_overridden"
    work: str
    rule: str
    says: str
    why: str


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class WorkMoved(Body):
    kind: ClassVar[str] = "work_moved"
    work: str
    before: WorkState
    after: WorkState
    why: str


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class WorkNoted(Body):
    kind: ClassVar[str] = "work_noted"
    work: str
    note: NoteKind
    text: str


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class VerificationChecked(Body):
    """Told when a line comes out otherwise than before. holds: every line that is read does.

    proven: they held for the whole soak.
    """

    kind: ClassVar[str] = "verification_checked"
    work: str
    lines: tuple[Line, ...]
    holds: bool
    proven: bool


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class InvestigationOpened(Body):
    """A change that nobody planned; it stays open until a person says what it was."""

    kind: ClassVar[str] = "investigation_opened"
    investigation: str
    change: ChangeClass
    changes: tuple[Change, ...]


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class InvestigationLinked(Body):
    """Work that was entered afterwards; the change stays what it was."""

    kind: ClassVar[str] = "investigation_linked"
    investigation: str
    work: str


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class DispositionGiven(Body):
    kind: ClassVar[str] = "disposition_given"
    investigation: str
    disposition: Disposition
    why: str


# Spares. Their subject is the poller: a box on a shelf is at no position.


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class SpareShelved(Body):
    """A box was put on a shelf, or what is known of one there changed. tested_on: 2026-03-01."""

    kind: ClassVar[str] = "spare_shelved"
    vendor: str
    serNum: str
    model: str | None
    orderCode: str | None
    swRev: str | None
    shelf: str
    tested_on: str | None


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class SpareRemoved(Body):
    """It left the shelf for good, or for elsewhere."""

    kind: ClassVar[str] = "spare_removed"
    vendor: str
    serNum: str
    why: str


# The year of updates. The subject of all but exceptions is the poller.


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class BulletinAdded(Body):
    """As model.due.Bulletin."""

    kind: ClassVar[str] = "bulletin_added"
    bulletin: str
    title: str
    severity: Severity
    relays: tuple[str, ...]
    family: str | None
    versions: str | None
    fixed_in: str | None
    reference: str | None


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class BulletinClosed(Body):
    kind: ClassVar[str] = "bulletin_closed"
    bulletin: str
    why: str


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class EvaluationEntered(Body):
    """What a maker released was looked through (CIP-007-6, part 2.2). found: also nothing."""

    kind: ClassVar[str] = "evaluation_entered"
    vendor: str
    found: str


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class ExceptionGiven(Body):
    """until: the last day on which what is due may wait, 2026-03-01."""

    kind: ClassVar[str] = "exception_given"
    exception: str
    until: str
    why: str


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class ExceptionEnded(Body):
    kind: ClassVar[str] = "exception_ended"
    exception: str
    why: str


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class PackageChecked(Body):
    """Identity of the source and integrity of a package before it is used (CIP-010-4, part 1.6).

    rule, version: of the approved list. size in octets; sha256 as 64 hex digits: of the file.
    against: what spoke against it, in words; empty: nothing. relays: those that it is meant for and
    fits. source: where, when, by whom and how the digest came, in words.
    """

    kind: ClassVar[str] = "package_checked"
    file: str
    size: int
    sha256: str
    rule: str
    version: str
    signature: Signature
    relays: tuple[str, ...]
    against: tuple[str, ...]
    source: str


# Alarms. Their subject is the relay that they are about; the poller, where it is no single one.


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmMoved(Body):
    """An alarm went from one of A to D into another, or came anew.

    since: when its condition came to be so. occurrence: which of several like it. annunciated: no
    inhibit stood. chattering: it came so often that it is held until it rests. comment: of who
    acknowledged or reset it.
    """

    kind: ClassVar[str] = "alarm_moved"
    alarm: str
    entry: str
    audience: tuple[Audience, ...]
    priority: Priority
    happening: Happening
    before: AlarmState
    after: AlarmState
    says: str
    since: Utc | None
    occurrence: str
    annunciated: bool
    chattering: bool
    comment: str | None = None


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class TimerSet(Body):
    """A delay of an alarm began to run, or no longer does (until: None)."""

    kind: ClassVar[str] = "timer_set"
    alarm: str
    entry: str
    timer: Timer
    until: Utc | None


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmInhibited(Body):
    """until: of a shelved alarm. why: a person's reason, or the id of the work that causes it."""

    kind: ClassVar[str] = "alarm_inhibited"
    alarm: str
    entry: str
    inhibit: Inhibit
    until: Utc | None
    why: str


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmReleased(Body):
    kind: ClassVar[str] = "alarm_released"
    alarm: str
    inhibit: Inhibit
    why: str


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmLatched(Body):
    """Its condition is over and it is held until reset; held False: the condition came back."""

    kind: ClassVar[str] = "alarm_latched"
    alarm: str
    held: bool


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmRated(Body):
    """The catalogue says otherwise than before for whom an alarm is, or how urgent."""

    kind: ClassVar[str] = "alarm_rated"
    alarm: str
    audience: tuple[Audience, ...]
    priority: Priority


# People who sign in to the page.


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class UserChanged(Body):
    """roles: those from here on; none of one who was removed. No password and no hash of one."""

    kind: ClassVar[str] = "user_changed"
    user: str
    happening: UserHappening
    roles: tuple[Role, ...] = ()


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class SessionChanged(Body):
    """Somebody signed in to the page, signed out, or their session ended.

    times, since: so many were counted from then on and are told as one; address: None, from
    several.
    """

    kind: ClassVar[str] = "session_changed"
    user: str
    happening: SessionHappening
    address: str | None = None
    times: int = 1
    since: Utc | None = None


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class AccessRefused(Body):
    """The page refused something. what: a right as in model.users.MAY, SIGN_IN or FORM.

    user: None, nobody who is known, or several; a name that nobody has may be a password typed in
    the wrong field, so it is not kept. Else as SessionChanged.
    """

    kind: ClassVar[str] = "access_refused"
    what: str
    user: str | None = None
    address: str | None = None
    times: int = 1
    since: Utc | None = None


# Points of plain protocols.


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class PointBlockAssigned(Body):
    """A block of points is of this owner for ever: a relay, a gateway by its name, or "" ours.

    One more where it has blocks already: it holds the places past those of the blocks before.
    """

    kind: ClassVar[str] = "point_block_assigned"
    owner: str
    block: int


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class PointPlacesAssigned(Body):
    """These entries of the catalogue have places in every block for ever: first and following."""

    kind: ClassVar[str] = "point_places_assigned"
    first: int
    entries: tuple[str, ...]


# The journal and its readers.


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class OutputGap(Body):
    """An output fell so far behind that these events were not delivered to it."""

    kind: ClassVar[str] = "output_gap"
    output: str
    first_seq: int
    last_seq: int


@_kind
@dataclass(frozen=True, slots=True, kw_only=True)
class Pruned(Body):
    """Older events were dropped; replay begins at the base state kept with this event."""

    kind: ClassVar[str] = "pruned"
    first_seq: int
    last_seq: int
    counts: dict[str, int]
    last_hash: str
    base: str  # canonical JSON of the state after last_seq


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """Not yet in the journal. subject: a relay's id, or an output's, or "" for the poller itself.

    cause: id of the event or command that led to it; by: the person, with how we know them.
    """

    at: Utc
    subject: str
    body: Body
    cause: str | None = None
    by: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Recorded:
    """An event in its place. hash: hex SHA-256 over the previous hash and stored."""

    seq: int
    id: str  # journal uuid and seq: the same event has the same id whoever delivers it
    event: Event
    hash: str
    stored: bytes  # the envelope as hashed, canonical JSON
