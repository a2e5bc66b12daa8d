"""The catalogue of alarms: which condition becomes an alarm, for whom, how urgent, and why.

Written by the engineer, one entry for each after rationalisation: what happens if nobody acts, what
to do, and within which time. Source of what an entry must say: ANSI/ISA-18.2-2016 and IEC 62682,
by secondary quotations.
"""

from __future__ import annotations

from functools import cached_property
from typing import Annotated, Final, Literal, TypeAlias

from pydantic import Field

from poller.model import limits
from poller.model.alarms import Audience, Cause, Priority
from poller.model.work import FirmwareStatus
from poller.site.register_map import Name
from poller.site.strict import Many, Strict, Words

DAY_S: Final = 86_400
EntryId: TypeAlias = Annotated[
    str,
    Field(
        pattern=r"^[a-z0-9_]{1,40}(\.[a-z0-9_]{1,40})?$",
        description="small letters, digits and underscores, at most 40, once parted by a dot; it "
        "ends the ids of its alarms, which topics and points carry",
    ),
]
RelayId: TypeAlias = Annotated[
    str, Field(pattern=r"^[a-z0-9-]{1,40}$", description="the id of a relay of the site")
]
Delay: TypeAlias = Annotated[
    int,
    Field(ge=0, le=DAY_S, description="seconds; what may stand for a day is no alarm"),
]
CauseWord: TypeAlias = Literal[
    "unplanned_change", "replaced", "settings_changed", "wrong_version", "not_done", "flag",
    "flag_left", "silent", "not_in_service", "identity_unreadable", "no_valid_map",
    "duplicate_serial", "relay_failure", "relay_failure_wired", "firmware_status", "gateway_silent",
    "many_silent", "output_away", "disk_low", "clock_wrong", "journal_failing",
]  # fmt: skip
StatusWord: TypeAlias = Literal[
    "current", "approved_older", "not_approved", "withdrawn", "newer_than_target", "not_comparable",
    "no_rule", "not_read",
]  # fmt: skip
AudienceWord: TypeAlias = Literal["operator_alarm", "engineering_notice", "security_event"]


class Entry(Strict):
    """One kind of alarm. id: what its alarms are called after their subject and a dot.

    flag: of the condition flag; status: of the condition firmware_status. on_delay_s: how long the
    condition must stand before it is an alarm; off_delay_s: how long it must be away before it is
    over. latching: it stays until a person resets it. reason: why it is as it is.
    """

    id: EntryId
    condition: CauseWord
    flag: Name | None = None
    status: StatusWord | None = None
    audience: Annotated[
        tuple[AudienceWord, ...],
        Field(min_length=1, max_length=2, strict=False, description="an operator and security"),
    ]
    priority: Literal["low", "medium", "high"]
    on_delay_s: Delay
    off_delay_s: Delay
    latching: bool = False
    consequence: Words
    response: Words
    time_to_respond_min: Annotated[
        int,
        Field(
            ge=1,
            le=30 * 24 * 60,
            description="minutes; who has more than a month needs no alarm",
        ),
    ]
    reason: Words

    @property
    def cause(self) -> Cause:
        return Cause(self.condition)

    @property
    def wanted_status(self) -> FirmwareStatus | None:
        return None if self.status is None else FirmwareStatus(self.status)

    @property
    def audiences(self) -> tuple[Audience, ...]:
        return tuple(Audience(word) for word in self.audience)

    @property
    def urgency(self) -> Priority:
        return Priority(self.priority)

    @property
    def for_operator(self) -> bool:
        """It reaches the lists of SCADA, and asks for acknowledgement."""
        return Audience.OPERATOR_ALARM in self.audiences


class Chattering(Strict):
    """An alarm that comes so often within so long is held until it has rested for as long.

    3 in 30 minutes: a relay is looked at every minute, so that 3 in one minute can't be seen.
    """

    count: Annotated[
        int,
        Field(
            ge=2,
            le=limits.ALARM_RECENT_MAX,
            description="once is no chattering; so many times are remembered",
        ),
    ] = 3
    within_s: Annotated[
        int, Field(ge=60, le=DAY_S, description="a relay is looked at once a minute by custom")
    ] = 1_800


class ManySilent(Strict):
    """More relays than that, silent within so long of each other: one alarm of the network."""

    more_than: Annotated[
        int, Field(ge=1, le=1_000, description="relays; one alone is never the network")
    ] = 5
    within_s: Annotated[
        int, Field(ge=1, le=3_600, description="past an hour they have nothing in common")
    ] = 60


class Targets(Strict):
    """Alarms a day that one operator can take. The editions differ, so that they are settings.

    About 150 acceptable and 300 manageable: ANSI/ISA-18.2; about 144 and 288: IEC 62682; both by
    secondary quotations, and for a whole console.
    """

    per_day: Annotated[
        int, Field(ge=1, le=10_000, description="alarms; past it nobody reads them")
    ] = 150
    per_day_max: Annotated[
        int, Field(ge=1, le=10_000, description="alarms; past it nobody reads them")
    ] = 300


class Catalogue(Strict):
    """acknowledged_over: the one place where alarms are acknowledged.

    bayroll: its own command line and page; mqtt: over the broker; opcua: over its server, by people
    who signed in. watchdog_contacts: whether the relays' watchdog contacts reach SCADA by wire;
    watchdog_exceptions: relays for which it is otherwise.
    """

    format: Literal[1]
    acknowledged_over: Literal["bayroll", "mqtt", "opcua"] = "bayroll"
    shelving_max_h: Annotated[
        int,
        Field(ge=1, le=limits.SHELVED_H_MAX, description="hours; whoever shelves it is at work"),
    ] = 8
    chattering: Chattering = Chattering()
    many_silent: ManySilent = ManySilent()
    watchdog_contacts: Literal["reach_scada", "none"] = "reach_scada"
    watchdog_exceptions: Annotated[Many[RelayId], Field(max_length=limits.RELAYS_MAX)] = ()
    targets: Targets = Targets()
    entries: Annotated[Many[Entry], Field(max_length=limits.ALARM_ENTRIES_MAX)]

    def watched_by_wire(self, relay: str) -> bool:
        """A watchdog contact of this relay reaches SCADA."""
        return (self.watchdog_contacts == "reach_scada") != (relay in self.watchdog_exceptions)

    @cached_property
    def by_cause(self) -> dict[Cause, tuple[Entry, ...]]:
        found: dict[Cause, tuple[Entry, ...]] = {}
        for entry in self.entries:
            found[entry.cause] = (*found.get(entry.cause, ()), entry)
        return found

    def of(self, cause: Cause) -> tuple[Entry, ...]:
        return self.by_cause.get(cause, ())

    def first(self, cause: Cause) -> Entry | None:
        """The one entry of a condition that has no flag or status; None: it is no alarm here."""
        return next(iter(self.of(cause)), None)
