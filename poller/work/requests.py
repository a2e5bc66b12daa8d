"""What people, and the clock, ask of the book of work. Values only; `book.decided` answers them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import TypeAlias

from poller.model.alarms import Own
from poller.model.due import Severity, Signature
from poller.model.status import StatusReading
from poller.model.work import Disposition, NoteKind, SettingsFile, WorkKind


@dataclass(frozen=True, slots=True, kw_only=True)
class AddWork:
    """One piece of work for each relay. expects: as Plan.expects, the same for each of them.

    start, end: with offset from UTC. zone: the IANA name in which they were given. although: why a
    rule of a protection group is overridden.
    """

    relays: tuple[str, ...]
    kind: WorkKind
    expects: dict[str, str]
    start: datetime
    end: datetime
    zone: str
    reference: str | None = None
    settings: SettingsFile | None = None
    although: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class StartWork:
    """although: why it is started against what stands in the way."""

    work: str
    although: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class EndWork:
    """The relay is connected again and can be looked at."""

    work: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CancelWork:
    work: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CloseWork:
    work: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteWork:
    work: str
    note: NoteKind
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkInvestigation:
    """To work that was entered after the change; the change stays unplanned."""

    investigation: str
    work: str


@dataclass(frozen=True, slots=True, kw_only=True)
class GiveDisposition:
    investigation: str
    disposition: Disposition
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ShelveSpare:
    """tested_on: a day, 2026-03-01."""

    vendor: str
    serNum: str
    shelf: str
    model: str | None = None
    orderCode: str | None = None
    swRev: str | None = None
    tested_on: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RemoveSpare:
    vendor: str
    serNum: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AddBulletin:
    """Either relays or a family, and of that a range of versions; as model.due.Bulletin."""

    title: str
    severity: Severity
    relays: tuple[str, ...] = ()
    family: str | None = None
    versions: str | None = None
    fixed_in: str | None = None
    reference: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CloseBulletin:
    bulletin: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class EnterEvaluation:
    """found: what the maker released, or that it was nothing."""

    vendor: str
    found: str


@dataclass(frozen=True, slots=True, kw_only=True)
class GiveException:
    """until: the last day on which it may wait, 2026-03-01."""

    relay: str
    until: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class EndException:
    exception: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordPackage:
    """A check that was carried out; as events.PackageChecked."""

    file: str
    size: int
    sha256: str
    rule: str
    version: str
    signature: Signature
    relays: tuple[str, ...]
    against: tuple[str, ...]
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Attend:
    """Time has passed. readings: the last status reading of each relay that has one.

    own: what is known of the poller itself, for its alarms; what is not known is left out.
    """

    readings: Mapping[str, StatusReading] = field(default_factory=dict)
    own: tuple[Own, ...] = ()


Request: TypeAlias = (
    AddWork
    | StartWork
    | EndWork
    | CancelWork
    | CloseWork
    | NoteWork
    | LinkInvestigation
    | GiveDisposition
    | ShelveSpare
    | RemoveSpare
    | AddBulletin
    | CloseBulletin
    | EnterEvaluation
    | GiveException
    | EndException
    | RecordPackage
)
"""What people ask for."""
