"""An alarm and how it stands: the words of ISA-18.2 and IEC 62682, and the values around them.

The letters are those of the 2016 edition: A to D say how an alarm stands, E to G that something
keeps it from the operator. Source: ANSI/ISA-18.2-2016 and IEC 62682, by secondary quotations.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

from poller.model.canonical import Utc


class AlarmState(StrEnum):
    """How an alarm stands, whatever keeps it from the operator."""

    NORMAL = "A"
    UNACKNOWLEDGED = "B"
    ACKNOWLEDGED = "C"
    RETURNED = "D"


ACTIVE: Final = frozenset({AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED})
"""Its condition is there, by what the delays and the latch make of it."""


class Inhibit(StrEnum):
    """What keeps an alarm from the operator; each of its own, so that ending one ends no other."""

    OUT_OF_SERVICE = "out_of_service"  # a person took it away until it is returned
    SUPPRESSED = "suppressed_by_design"  # planned work causes it, and is still about
    SHELVED = "shelved"  # a person does not want it for a while


INHIBIT_LETTER: Final = {
    Inhibit.OUT_OF_SERVICE: "G",
    Inhibit.SUPPRESSED: "F",
    Inhibit.SHELVED: "E",
}
"""In the order in which they are shown where several stand: G before F before E."""

STATE_NAME: Final = {
    "A": "Normal",
    "B": "Unacknowledged",
    "C": "Acknowledged",
    "D": "Returned to normal, unacknowledged",
    "E": "Shelved",
    "F": "Suppressed by design",
    "G": "Out of service",
}
STATE_CODE: Final = {
    "A": "NORM",
    "B": "UNACK",
    "C": "ACKED",
    "D": "RTNUN",
    "E": "SHLVD",
    "F": "DSUPR",
    "G": "OOSRV",
}


class Audience(StrEnum):
    """Whom an entry of the catalogue is for."""

    OPERATOR_ALARM = "operator_alarm"  # a person at the desk has something to do, in some time
    ENGINEERING_NOTICE = "engineering_notice"  # to be known, by and by; asks for no acknowledgement
    SECURITY_EVENT = "security_event"  # for whoever watches over security


class Priority(StrEnum):
    LOW = "low"
    MEDIUM = "medium"
    HIGH = "high"


PRIORITIES: Final = (Priority.HIGH, Priority.MEDIUM, Priority.LOW)  # as a list is sorted


class Happening(StrEnum):
    """What moves an alarm between A and D."""

    OCCURS = "occurs"  # its condition comes, or comes anew
    RETURNS = "returns"  # its condition is over
    ACKNOWLEDGED = "acknowledged"
    # the last inhibit ended
    RELEASED_NORMAL = "released_normal"
    RELEASED_ALARM = "released_alarm"


class Timer(StrEnum):
    """What is waited for before an alarm follows its condition."""

    ON_DELAY = "on_delay"
    OFF_DELAY = "off_delay"


class Cause(StrEnum):
    """The conditions that there are. An entry of the catalogue makes an alarm of one of them."""

    # of a relay: what changed
    UNPLANNED_CHANGE = "unplanned_change"
    REPLACED = "replaced"
    SETTINGS_CHANGED = "settings_changed"
    WRONG_VERSION = "wrong_version"
    NOT_DONE = "not_done"
    FLAG = "flag"
    FLAG_LEFT = "flag_left"
    # how it is
    SILENT = "silent"
    NOT_IN_SERVICE = "not_in_service"
    IDENTITY_UNREADABLE = "identity_unreadable"
    NO_VALID_MAP = "no_valid_map"
    DUPLICATE_SERIAL = "duplicate_serial"
    RELAY_FAILURE = "relay_failure"  # no watchdog contact of it reaches SCADA
    RELAY_FAILURE_WIRED = "relay_failure_wired"  # one does
    FIRMWARE_STATUS = "firmware_status"
    # of several relays
    GATEWAY_SILENT = "gateway_silent"
    MANY_SILENT = "many_silent"
    # of the poller itself
    OUTPUT_AWAY = "output_away"
    DISK_LOW = "disk_low"
    CLOCK_WRONG = "clock_wrong"
    JOURNAL_FAILING = "journal_failing"


OF_SEVERAL: Final = frozenset({Cause.GATEWAY_SILENT, Cause.MANY_SILENT})
OF_THE_POLLER: Final = frozenset(
    {Cause.OUTPUT_AWAY, Cause.DISK_LOW, Cause.CLOCK_WRONG, Cause.JOURNAL_FAILING}
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """Something that is so now and that an alarm tells of.

    alarm: the id of that alarm; subject: a relay's id, or "" where it is of several or the
    poller's. since: when it came to be so, by what was read; None: nothing says, so when it was
    first looked at. occurrence: what of its kind is so, a line each; see is_new_to.
    work: the planned work that causes it and still covers it. later_s: how much longer than its
    entry says it must hold.
    """

    alarm: str
    entry: str
    subject: str
    since: Utc | None
    says: str
    occurrence: str = ""
    work: str | None = None
    later_s: float = 0.0

    def is_new_to(self, told: str) -> bool:
        """Something in it was not told, so that people are told anew; told: an occurrence.

        That one of several is over is nothing new of the others.
        """
        return not set(self.occurrence.splitlines()) <= set(told.splitlines())


@dataclass(frozen=True, slots=True, kw_only=True)
class Own:
    """A fact about the poller itself that stands in no event. detail: an output's name, or "".

    holds: it is so; what is not known yet is not told at all, and leaves its alarm as it is.
    """

    cause: Cause
    detail: str = ""
    holds: bool
    since: Utc
    says: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Hold:
    """An inhibit that stands. until: a shelved alarm's limit; by: None where nobody did it."""

    since: Utc
    why: str
    by: str | None = None
    until: Utc | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Inhibits:
    shelved: Hold | None = None
    suppressed: Hold | None = None  # why: the id of the work
    out_of_service: Hold | None = None

    def of(self, inhibit: Inhibit) -> Hold | None:
        return {
            Inhibit.OUT_OF_SERVICE: self.out_of_service,
            Inhibit.SUPPRESSED: self.suppressed,
            Inhibit.SHELVED: self.shelved,
        }[inhibit]

    def with_(self, inhibit: Inhibit, hold: Hold | None) -> Inhibits:
        match inhibit:
            case Inhibit.OUT_OF_SERVICE:
                return replace(self, out_of_service=hold)
            case Inhibit.SUPPRESSED:
                return replace(self, suppressed=hold)
            case Inhibit.SHELVED:
                return replace(self, shelved=hold)

    @property
    def shown(self) -> Inhibit | None:
        """The one that is shown; None: none stands."""
        return next((one for one in INHIBIT_LETTER if self.of(one) is not None), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ack:
    by: str | None
    at: Utc
    comment: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Alarm:
    """One alarm, from the first time that its condition was waited for.

    id: subject, a dot and the entry: q01-main1.silent, q01-main1.flag.firmware_changed,
    poller.output_away.mqtt. since: when it came into its state. condition_since: when what it tells
    of came to be so. recent: when the operator was last told, oldest first. latched: its condition
    is over and it is held until a person resets it. on_until, off_until: the delays that run.
    """

    id: str
    entry: str
    subject: str
    audience: tuple[Audience, ...] = ()
    priority: Priority = Priority.LOW
    state: AlarmState = AlarmState.NORMAL
    since: Utc
    says: str = ""
    condition_since: Utc | None = None
    occurrence: str = ""
    occurrences: int = 0
    recent: tuple[Utc, ...] = ()
    chattering: bool = False
    acked: Ack | None = None  # of the present occurrence
    latched: bool = False
    on_until: Utc | None = None
    off_until: Utc | None = None
    inhibits: Inhibits = Inhibits()

    @property
    def letter(self) -> str:
        """A to G, as shown: the inhibit's where one stands."""
        inhibit = self.inhibits.shown
        return self.state.value if inhibit is None else INHIBIT_LETTER[inhibit]

    @property
    def active(self) -> bool:
        return self.state in ACTIVE

    @property
    def annunciated(self) -> bool:
        """It stands in the operator's list."""
        return self.state != AlarmState.NORMAL and self.inhibits.shown is None

    @property
    def stands(self) -> bool:
        """There is something to remember but that it once was: a state, an inhibit or a delay."""
        return (
            self.state != AlarmState.NORMAL
            or self.inhibits.shown is not None
            or self.on_until is not None
            or self.off_until is not None
        )
