"""The report as values. Every text in it is made safe to show; at is UTC, seq a journal event."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from poller.alarms.measures import Measures
from poller.model.canonical import Utc


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """first is in it, last is not."""

    first: Utc
    last: Utc


@dataclass(frozen=True, slots=True, kw_only=True)
class Chain:
    """The journal as it was when the report was made. first_at: of its oldest event.

    whole: the chain of hashes verifies; says: what came of it, in words.
    """

    journal: str
    seq: int
    hash: str
    events: int
    first_seq: int
    first_at: Utc | None
    last_at: Utc | None
    whole: bool
    says: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Baseline:
    """in_force_before: it was accepted before the span and held at its beginning."""

    seq: int | None
    at: Utc
    by: str
    why: str
    reference: str
    what: str
    in_force_before: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """An attribute as accepted and as last read or entered, at the end of the span."""

    name: str
    says: str
    accepted: str | None
    present: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Changed:
    """One attribute of a change; way: which of both is newer, where that can be told."""

    name: str
    says: str
    before: str | None
    after: str | None
    way: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """A change of what a relay says it is. since: the last reading of the old; None: unknown.

    firmware: it touches baseline item 1.1.1. authorised: by whom and how, in words. package: a
    check of the package recorded before. verified: what came of the work. disposition: what people
    said it was. renewed: when the baseline was accepted again; renewed_days: after so many calendar
    days, or waiting for so many; renewal: both in words.
    """

    seq: int
    at: Utc
    relay: str
    position: str
    word: str
    says: str
    attributes: tuple[Changed, ...]
    firmware: bool
    since: Utc | None
    read_at: Utc
    by_hand: bool
    work: str
    authorised: str
    package: str
    verified: str
    disposition: str
    renewed: Utc | None
    renewed_days: int
    renewal: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """Values that a person read at the front panel."""

    seq: int
    at: Utc
    read_at: Utc
    by: str
    reference: str
    values: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """Whole UTC days, both included, on which no nameplate was read over the network.

    why: what the journal has of that time, in words; manual: front-panel readings in it.
    """

    first: date
    last: date
    why: tuple[str, ...]
    manual: int

    @property
    def days(self) -> int:
        return (self.last - self.first).days + 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Coverage:
    """days: whole UTC days of the span on which it was listed, and those that were not over but
    have a reading. listed: from and to, both included. read_days: with a reading.

    readings: complete nameplates, at least so many. interval: most calendar days from one reading
    to the next, over the network; with_manual: front-panel readings counted too. duty: what is owed
    and whether it was kept, in words; kept: None where nothing is owed.
    """

    days: int
    listed: tuple[tuple[date, date], ...]
    read_days: int
    readings: int
    manual: int
    interval: int
    with_manual: int
    gaps: tuple[Gap, ...]
    gaps_more: int
    duty: str
    kept: bool | None


@dataclass(frozen=True, slots=True, kw_only=True)
class RelayPart:
    """A position that was listed in the span. word: new, accepted, differs: at its end.

    by_hand: what it is, was read at the front panel only.
    """

    id: str
    position: str
    address: str
    listed: bool
    word: str
    by_hand: bool
    lines: tuple[Line, ...]
    baselines: tuple[Baseline, ...]
    changes: tuple[Change, ...]
    readings: tuple[Reading, ...]
    coverage: Coverage


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """What happened to a piece of work: a move, a note, a rule that a person decided against."""

    seq: int
    at: Utc
    by: str
    says: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """A line of a verification. ok: None: not told."""

    says: str
    expected: str
    read: str | None
    at: Utc | None
    ok: bool | None


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkPart:
    """Work of which something happened in the span, as it stood at the end."""

    id: str
    relay: str
    position: str
    meant: str
    settings: str
    window: str
    reference: str
    entered_at: Utc
    entered_by: str
    state: str
    steps: tuple[Step, ...]
    steps_more: int
    lines: tuple[Checked, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Package:
    seq: int
    at: Utc
    by: str
    file: str
    size: int
    sha256: str
    rule: str
    version: str
    signature: str
    source: str
    relays: tuple[str, ...]
    against: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """An event that its sentence says all of."""

    seq: int
    at: Utc
    by: str
    says: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Configuration:
    """In force from at on. files: name to text; empty where it is only named."""

    seq: int
    at: Utc
    sha256: str
    asset_class: str
    files: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """first_seq, last_seq: events of the span; none: last_seq is first_seq - 1. end_hash: of the
    last of them, None where it is no longer there. reach: how far the journal covers the span, in
    sentences. asset_classes: in force in the span. hidden: addresses are."""

    site: str
    span: Span
    first_seq: int
    last_seq: int
    end_hash: str | None
    chain: Chain
    reach: tuple[str, ...]
    covered: bool
    asset_classes: tuple[str, ...]
    relays: tuple[RelayPart, ...]
    works: tuple[WorkPart, ...]
    packages: tuple[Package, ...]
    entered: tuple[Told, ...]
    poller: tuple[Told, ...]
    measures: Measures | None
    configurations: tuple[Configuration, ...]
    hidden: bool

    @property
    def changes(self) -> tuple[Change, ...]:
        return tuple(sorted((c for r in self.relays for c in r.changes), key=lambda c: c.seq))
