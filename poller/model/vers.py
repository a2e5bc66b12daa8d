"""Ranges of versions as vers: texts: taken as they stand or refused, never put right.

Versions are ordered by the scheme of the relay family concerned. Comparators for packages of
software read firmware wrongly: they take a fourth part for a release of the third, or leave it out.
Source: VERS specification, clause 5, and its guide on parsing (package-url/vers-spec).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, TypeAlias
from urllib.parse import unquote

from poller.model import limits
from poller.model.events import Order
from poller.model.firmware_version import Scheme, order, readable
from poller.model.text import shown

TYPE: Final = re.compile(r"[a-z][a-z0-9.-]*")
CONSTRAINT: Final = re.compile(r"(>=|<=|!=|<|>|)([^<>=!*|]+)")
TRIPLET: Final = re.compile(r"%(?:[0-9A-F]{2}|)")
ANY: Final = "*"
LOWER: Final = frozenset({">", ">="})
UPPER: Final = frozenset({"<", "<="})
EQUAL: Final = ""
UNEQUAL: Final = "!="
INCLUSIVE: Final = frozenset({EQUAL, ">=", "<="})
# their versions follow one another otherwise than numbers by dots do, or not at all; and "none"
# once meant no version, where the specification now lets * mean all
UNORDERED: Final = frozenset({"datetime", "example", "lexicographic", "none", "test"})


@dataclass(kw_only=True, eq=False)
class BadRange(Exception):
    """what is wrong; where: the part of the text; mend: how it would be right."""

    what: str
    where: str
    mend: str

    def __str__(self) -> str:
        return f"{shown(self.where, limits.SENTENCE_TEXT_MAX)}: {self.what}; {self.mend}"


@dataclass(frozen=True, slots=True)
class Constraint:
    """comparator: >=, <=, !=, <, > or "" for equality. version: decoded."""

    comparator: str
    version: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Range:
    """type: as in the text. constraints: by version, lowest first; none: every version."""

    type: str
    constraints: tuple[Constraint, ...]


Wheres: TypeAlias = Iterator[BadRange]


def parse(text: str, scheme: Scheme) -> Range:
    """A canonical vers: text, whose versions the scheme can order. Raises BadRange."""
    found = spelled(text)
    for fault in (*_sorted(found, scheme), *_sequence(found)):
        raise fault
    return found


def spelled(text: str) -> Range:
    """The parts of a text, whatever their order. Raises BadRange."""
    if len(text) > limits.VERS_TEXT_MAX:
        raise BadRange(
            what=f"{len(text)} characters",
            where=text[:20],
            mend=f"a range has at most {limits.VERS_TEXT_MAX}",
        )
    for character in text:
        if not "!" <= character <= "~":
            what = "a space" if character == " " else f"the character {character!r}"
            raise BadRange(
                what=f"{what} stands in it",
                where=text,
                mend="it is of printable ASCII; a space in a version is written %20",
            )
    uri, _, rest = text.partition(":")
    kind, slash, constraints = rest.partition("/")
    if uri != "vers" or not slash:
        raise BadRange(
            what="it is no vers: range", where=text, mend="write vers:TYPE/CONSTRAINT|CONSTRAINT"
        )
    if not TYPE.fullmatch(kind) or kind == "invalid":
        raise BadRange(
            what=f"{shown(kind, limits.SENTENCE_TEXT_MAX)!r} is no type",
            where=text,
            mend="a type is of small letters, digits, dots and dashes, and begins with a letter",
        )
    if constraints == ANY:
        return Range(type=kind, constraints=())
    if kind == "all":
        raise BadRange(what="type all goes with * alone", where=text, mend="write vers:all/*")
    parts = constraints.split("|")
    if len(parts) > limits.VERS_CONSTRAINTS_MAX:
        raise BadRange(
            what=f"{len(parts)} constraints",
            where=text[:20],
            mend=f"at most {limits.VERS_CONSTRAINTS_MAX} are read",
        )
    return Range(type=kind, constraints=tuple(map(_constraint, parts)))


def _constraint(part: str) -> Constraint:
    if not part:
        raise BadRange(
            what="a constraint is empty",
            where="|",
            mend="one | stands between two constraints, none at the ends",
        )
    found = CONSTRAINT.fullmatch(part)
    if found is None:
        raise BadRange(
            what="it is no constraint",
            where=part,
            mend="write a version, or one behind >=, <=, !=, < or >; equality has no sign, * "
            "stands alone, and in a version each of <>=!*|% is percent-encoded",
        )
    comparator, encoded = found[1], found[2]
    if any(len(triplet) != 3 for triplet in TRIPLET.findall(encoded)):
        raise BadRange(
            what="percent-encoding that is none, or not canonical",
            where=part,
            mend="write % and two hexadecimal digits, capitals; a % itself is %25",
        )
    version = unquote(encoded, errors="replace")
    if not all(" " <= character <= "~" for character in version):
        raise BadRange(
            what="a version of other characters than printable ASCII and spaces",
            where=part,
            mend="spell it as the relay does",
        )
    return Constraint(comparator, version)


def _sorted(found: Range, scheme: Scheme) -> Wheres:
    if found.constraints and found.type in UNORDERED:
        yield BadRange(
            what=f"versions of type {found.type} have no order here",
            where=f"vers:{found.type}/",
            mend="a person decides",
        )
    for one in found.constraints:
        if not readable(one.version, scheme):
            yield BadRange(
                what=f"it can't be read under {scheme.kind}, as this family writes versions",
                where=one.version,
                mend="a person decides",
            )
    for one, other in pairwise(found.constraints):
        match order(one.version, other.version, scheme):
            case Order.NEWER:
                continue
            case Order.OLDER:
                what, mend = "the constraints are not sorted", "the lower version stands first"
            case Order.NOT_COMPARABLE:
                what, mend = "the two have no order", "a person decides"
            case _:
                what, mend = "a version stands in it twice", "each stands in one constraint"
        yield BadRange(what=what, where=f"{one.version}|{other.version}", mend=mend)


def _sequence(found: Range) -> Wheres:
    """Which comparator may follow which, where != is left out."""
    rest = [one for one in found.constraints if one.comparator != UNEQUAL]
    for one, other in pairwise(rest):
        opens = one.comparator in LOWER
        if (opens and other.comparator not in UPPER) or (not opens and other.comparator in UPPER):
            yield BadRange(
                what="one of the two says nothing",
                where=f"{one.comparator}{one.version}|{other.comparator}{other.version}",
                mend="behind > or >= comes < or <=, and neither comes behind another version",
            )


def contains(found: Range, version: str, scheme: Scheme) -> bool | None:
    """Whether the version is in the range; None: the scheme can't tell."""
    if not found.constraints:
        return True
    if not readable(version, scheme):
        return None
    below: Constraint | None = None  # the last bound that is lower than the version
    above: Constraint | None = None  # the first that is higher
    for one in found.constraints:
        match order(one.version, version, scheme):
            case Order.NOT_COMPARABLE:
                return None
            case Order.SAME | Order.TEXT_ONLY:
                return one.comparator in INCLUSIVE
            case Order.NEWER if one.comparator in LOWER | UPPER:
                below = one
            case Order.OLDER if one.comparator in LOWER | UPPER:
                above = above or one
    if below is None and above is None:  # all but those that are named, or none but those
        return all(one.comparator == UNEQUAL for one in found.constraints)
    return (below is not None and below.comparator in LOWER) or (
        above is not None and above.comparator in UPPER
    )
