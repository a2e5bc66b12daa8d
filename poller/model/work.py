"""Planned work on a relay, and what becomes of changes that nobody planned: words and values."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from poller.model.canonical import Utc


class FirmwareStatus(StrEnum):
    """One firmware of a relay against the approved list."""

    CURRENT = "current"
    APPROVED_OLDER = "approved_older"
    NOT_APPROVED = "not_approved"
    WITHDRAWN = "withdrawn"
    NEWER_THAN_TARGET = "newer_than_target"
    NOT_COMPARABLE = "not_comparable"
    NO_RULE = "no_rule"
    NOT_READ = "not_read"


class WorkKind(StrEnum):
    UPDATE = "update"
    ROLLBACK = "rollback"
    REPLACEMENT = "replacement"
    SETTINGS = "settings"


class WorkState(StrEnum):
    """Where a piece of work stands; the moves between them are a table in poller.work."""

    PLANNED = "planned"
    READY = "ready"  # nothing stands in the way
    UNDER_WAY = "under_way"  # a person works on the relay, which is not polled
    WAITING_FOR_RELAY = "waiting_for_relay"  # ended; its nameplate was not read since
    CHECKING = "checking"
    VERIFIED = "verified"
    NOT_DONE = "not_done"  # the relay is what it was before
    WRONG_VERSION = "wrong_version"  # neither what it was nor what was planned
    CANCELLED = "cancelled"
    CLOSED = "closed"


ENDED: Final = frozenset({WorkState.CANCELLED, WorkState.CLOSED})
AT_WORK: Final = frozenset({WorkState.UNDER_WAY})  # the relay is not polled, its connection is free


class NoteKind(StrEnum):
    """What a person puts on record about work; all but a remark answer a question of the checks."""

    REMARK = "remark"
    READ_BACK = "read_back"  # the configuration was read back from the relay
    RECORDS_SAVED = "records_saved"  # stored records were saved, and the copies open
    PARTNER_TRIPS = "partner_trips"  # the partner of its protection group was confirmed to trip
    TESTED = "tested"  # functional test passed


class Disposition(StrEnum):
    """What a change that nobody planned turned out to be."""

    EMERGENCY_REPLACEMENT = "emergency_replacement"
    REPAIR = "repair"
    MISTAKE = "mistake"
    NOT_AUTHORISED = "not_authorised"
    FALSE_READING = "false_reading"


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingsFile:
    """The settings that the work loads. SHA-256 as 64 hex digits, before and after conversion."""

    name: str
    sha256_before: str
    sha256_after: str | None = None
    reviewed_by: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What is meant to happen to one relay, and when.

    expects: attribute to its text afterwards, names as in nameplate.flat. before: all that was read
    or entered when the work was planned. zone: IANA name in which start and end were given.
    """

    relay: str
    kind: WorkKind
    expects: dict[str, str]
    before: dict[str, str]
    start: Utc
    end: Utc
    zone: str
    reference: str | None = None
    settings: SettingsFile | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One line of a verification. ok: None while it can't be said yet. at: when it was read."""

    name: str
    expected: str
    read: str | None
    at: Utc | None
    ok: bool | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    at: Utc
    by: str | None
    kind: NoteKind
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """A plan and how far it came. id: w1, w2 and so on within a journal.

    tries: how often it was started. reread_at: the first whole nameplate pass after it ended.
    came_out_at: when it was verified, not done, wrong, or given up; None while it has not come out.
    held_since: since when every line that is read holds; None while one does not. proven: all of
    them held for the whole soak. notes_before: how many notes there were when it was last started.
    """

    id: str
    plan: Plan
    state: WorkState
    since: Utc
    by: str | None
    entered_at: Utc
    started_at: Utc | None = None
    ended_at: Utc | None = None
    reread_at: Utc | None = None
    came_out_at: Utc | None = None
    tries: int = 0
    lines: tuple[Line, ...] = ()
    held_since: Utc | None = None
    proven: bool = False
    notes: tuple[Note, ...] = ()
    notes_before: int = 0
    overridden: tuple[str, ...] = ()  # names of rules that a person decided against
    why: str = ""  # of the last move

    def noted(self, kind: NoteKind) -> Note | None:
        """The last note of that kind."""
        return next((note for note in reversed(self.notes) if note.kind == kind), None)

    @property
    def tested(self) -> Note | None:
        """That it passed its functional test, noted since it was last started: before that, it was
        not of what the relay is now. By the order of notes, as a clock may have been set."""
        since = reversed(self.notes[self.notes_before :])
        return next((note for note in since if note.kind == NoteKind.TESTED), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Asset:
    """A box by its vendor and serial number. places: when it came where, oldest first.

    A place is a relay's id, "shelf: ..." for a spare, or "" where nobody said.
    """

    vendor: str
    serNum: str
    model: str | None = None
    orderCode: str | None = None
    swRev: str | None = None
    tested_on: str | None = None  # a spare's: 2026-03-01
    places: tuple[tuple[Utc, str], ...] = ()

    @property
    def place(self) -> str:
        return self.places[-1][1] if self.places else ""


def asset_key(vendor: str | None, serial: str) -> str:
    """Two makers may use one serial number."""
    return f"{vendor or ''}/{serial}"


def by_number(name: str) -> tuple[int, str]:
    """Sorts w2 before w10: in the order in which they were entered."""
    return len(name), name
