"""What the API answers: lists of the rows that answers make, and refusals."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from poller.answers.alarms import AlarmRow, Counts
from poller.answers.classes import Weight
from poller.answers.firmware import FirmwareRow
from poller.answers.history import Entry
from poller.answers.investigations import InvestigationRow
from poller.answers.listing import Row
from poller.answers.work import WorkRow
from poller.model.users import Role


@dataclass(frozen=True, slots=True, kw_only=True)
class Refused:
    """refused: why, and how to mend it."""

    refused: str


WHY: Final = {
    400: "the request makes no sense",
    401: "sign in first",
    403: "this person may not",
    404: "there is no such thing",
    409: "it can't be done as things stand",
    413: "too long",
    422: "a value is missing or out of its bounds",
    429: "too many tries",
    503: "busy, or the journal can't be read",
}
REFUSALS: Final[dict[int | str, dict[str, Any]]] = {
    status: {"model": Refused, "description": says} for status, says in WHY.items()
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Relays:
    """seq: the last event that is in it."""

    seq: int
    relays: tuple[Row, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Alarms:
    seq: int
    counts: Counts
    alarms: tuple[AlarmRow, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Works:
    seq: int
    work: tuple[WorkRow, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Investigations:
    seq: int
    investigations: tuple[InvestigationRow, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Approved:
    seq: int
    firmware: tuple[FirmwareRow, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Event(Entry):
    """hash: hex SHA-256 of the journal's chain up to and with this event.

    event_class: one of the classes by which events are asked for; weight: how much it asks for a
    person. investigation: that this change opened, or that this is about, as it stands now; None
    also where it was closed long ago.
    """

    event_class: str
    weight: Weight
    hash: str
    investigation: InvestigationRow | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Events:
    """The newest first. older: give it as `before` for those before these; null: there are none.

    Fewer than were asked for with an older: so many events were looked at and were others.
    """

    seq: int
    events: tuple[Event, ...]
    older: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class UserRow:
    user: str
    roles: tuple[Role, ...]
