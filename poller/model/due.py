"""What people enter for the year of updates: bulletins, evaluations, exceptions, packages."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from poller.model.canonical import Utc


class Severity(StrEnum):
    """What a service bulletin says can happen, the gravest first.

    The first three are what NERC's glossary takes together as misoperation (from memory).
    """

    FAILURE_TO_TRIP = "failure_to_trip"
    SLOW_TRIP = "slow_trip"
    UNNECESSARY_TRIP = "unnecessary_trip"
    NOT_PROTECTION = "not_protection"  # indication, recording, communication


class Signature(StrEnum):
    """Of a package: what came of its detached signature."""

    NONE = "none"  # none was given
    GOOD = "good"
    BAD = "bad"


@dataclass(frozen=True, slots=True, kw_only=True)
class Bulletin:
    """relays: those it names; empty: all of family whose version is in versions, a vers: range.

    versions: None: every one. fixed_in: the first version that has it not, as the maker says.
    """

    id: str
    title: str
    severity: Severity
    at: Utc
    by: str | None
    relays: tuple[str, ...] = ()
    family: str | None = None
    versions: str | None = None
    fixed_in: str | None = None
    reference: str | None = None
    closed_at: Utc | None = None
    why: str | None = None  # it was closed


@dataclass(frozen=True, slots=True, kw_only=True)
class Evaluation:
    """What a maker released was looked through. found: what it was, or that it was nothing."""

    at: Utc
    by: str | None
    found: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Excepted:
    """What is due of a relay waits until the end of a day, 2026-03-01, for a reason."""

    id: str
    relay: str
    until: str
    why: str
    at: Utc
    by: str | None
    ended_at: Utc | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PackageCheck:
    """The last check of a package. passed: nothing spoke against it."""

    file: str
    rule: str
    version: str
    passed: bool
    at: Utc
    by: str | None
