"""Advisories against relays and spares: what each document says of each box, and where it says so.

Source of the groups of product_status: CSAF 2.0, 3.2.3.9 and test 6.1.6.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import groupby
from typing import Final

from poller.model import limits
from poller.model.problems import Problem
from poller.planning.boxes import Box
from poller.planning.csaf import ASK, Advisory, pointer
from poller.planning.csaf_shape import Remediation, Remedy
from poller.planning.matching import (
    Compare,
    Match,
    Truth,
    at_or_after,
    at_or_before,
    families_of,
    matched,
    unmapped,
)
from poller.site.advisory_families import AdvisoryFamilies, Family


class Verdict(StrEnum):
    """What a document says of a box, the most pressing first."""

    AFFECTED = "affected"
    NEEDS_A_PERSON = "needs_a_person"
    UNDER_INVESTIGATION = "under_investigation"
    FIXED = "fixed"
    NOT_AFFECTED = "not_affected"


GROUPS: Final[dict[str, tuple[Verdict, Compare | None]]] = {
    "known_affected": (Verdict.AFFECTED, None),
    "first_affected": (Verdict.AFFECTED, at_or_after),
    "last_affected": (Verdict.AFFECTED, at_or_before),
    "fixed": (Verdict.FIXED, None),
    "first_fixed": (Verdict.FIXED, at_or_after),
    "known_not_affected": (Verdict.NOT_AFFECTED, None),
    "under_investigation": (Verdict.UNDER_INVESTIGATION, None),
}
"""Lists of product_status; recommended says nothing of what is so."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Remedied:
    category: Remedy
    details: str
    url: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """What one vulnerability of a document is to a box.

    why: of needs_a_person, a clause. path: JSON pointer of the line of product_status; product: of
    the product that it names. score, vector: CVSS of that product, None where none is given.
    """

    box: Box
    verdict: Verdict
    advisory: Advisory
    vulnerability: str
    why: str
    path: str
    product: str
    product_name: str
    score: float | None
    vector: str | None
    remedies: tuple[Remedied, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """findings: of boxes that a document names. elsewhere: vendor and product that no family here
    is named by, with the file. unusable: documents that were not held against anything, and why."""

    findings: tuple[Finding, ...]
    elsewhere: tuple[tuple[str, str | None, str], ...]
    unusable: tuple[Problem, ...]


@dataclass(frozen=True, slots=True)
class _Line:
    """One entry of product_status. vulnerability: which of the document's, from 0."""

    vulnerability: int
    group: str
    path: str
    product: str

    @property
    def verdict(self) -> Verdict:
        return GROUPS[self.group][0]


def held(advisories: Iterable[Advisory], families: AdvisoryFamilies, boxes: Iterable[Box]) -> Held:
    """All documents against all boxes."""
    findings: list[Finding] = []
    elsewhere: list[tuple[str, str | None, str]] = []
    unusable: list[Problem] = []
    all_boxes = tuple(boxes)
    for advisory in advisories:
        named = {
            name: found
            for name, one in advisory.products.items()
            if (found := families_of(one, families.families))
        }
        elsewhere += [
            (advisory.file, vendor, title)
            for vendor, title in unmapped(advisory.products.values(), named)
            if not any(one.means(vendor, title) for one in families.elsewhere)
        ]
        lines = tuple(_lines(advisory, named))
        if len(lines) > limits.CSAF_LINES_MAX:
            what = f"{len(lines):,} lines name families here; at most {limits.CSAF_LINES_MAX:,}"
            at = "/vulnerabilities"
            unusable.append(
                Problem(code="advisory-too-big", file=advisory.file, at=at, what=what, mend=ASK)
            )
        elif lines:
            for box in all_boxes:
                findings += _of_box(advisory, named, lines, box)
    return Held(findings=tuple(findings), elsewhere=tuple(elsewhere), unusable=tuple(unusable))


def _lines(advisory: Advisory, named: Mapping[str, tuple[Family, ...]]) -> Iterator[_Line]:
    """Those that may be about a box of a family here."""
    for at, one in enumerate(advisory.document.vulnerabilities):
        for group in GROUPS:
            for number, name in enumerate(getattr(one.product_status, group)):
                if advisory.products[name].bond is not None or name in named:
                    path = pointer("vulnerabilities", at, "product_status", group, number)
                    yield _Line(at, group, path, name)


def _of_box(
    advisory: Advisory, named: Mapping[str, tuple[Family, ...]], lines: Iterable[_Line], box: Box
) -> Iterator[Finding]:
    if not any(family.has(box.plate) for found in named.values() for family in found):
        return
    for at, of_one in groupby(lines, key=lambda line: line.vulnerability):
        said = [
            (line, match)
            for line in of_one
            if (match := _match(advisory, named, line, box)).truth is not Truth.NO
        ]
        if said:
            yield _finding(advisory, box, at, *_decided(said))


def _match(
    advisory: Advisory, named: Mapping[str, tuple[Family, ...]], line: _Line, box: Box
) -> Match:
    product = advisory.products[line.product]
    return matched(product, box, named, advisory.products, GROUPS[line.group][1])


def _decided(said: Sequence[tuple[_Line, Match]]) -> tuple[Verdict, str, _Line]:
    """What is plainly said outranks what may be; of two that contradict, neither is believed.

    Affected, which may be, is outranked only by what names the very version that runs.
    """
    plain = [line for line, match in said if match.truth is Truth.YES]
    exact = any(match.exact for _, match in said if match.truth is Truth.YES)
    unclear = [(line, match) for line, match in said if match.truth is Truth.MAYBE]
    may_be = [one for one in unclear if one[0].verdict is Verdict.AFFECTED]
    told = {line.verdict for line in plain}
    if len(told) > 1:
        words = " and ".join(one.replace("_", " ") for one in Verdict if one in told)
        return Verdict.NEEDS_A_PERSON, f"the document says both {words}", plain[0]
    if plain and (Verdict.AFFECTED in told or exact or not may_be):
        return plain[0].verdict, "", plain[0]
    line, match = (may_be or unclear)[0]
    return Verdict.NEEDS_A_PERSON, match.why, line


def _finding(
    advisory: Advisory, box: Box, at: int, verdict: Verdict, why: str, line: _Line
) -> Finding:
    one = advisory.document.vulnerabilities[at]
    product = advisory.products[line.product]
    scores = [
        cvss
        for score in one.scores
        if line.product in score.products and (cvss := score.cvss_v3 or score.cvss_v2)
    ]
    worst = max(scores, key=lambda cvss: cvss.baseScore, default=None)
    return Finding(
        box=box,
        verdict=verdict,
        advisory=advisory,
        vulnerability=one.cve or one.title or f"vulnerability {at + 1}",
        why=why,
        path=line.path,
        product=product.pointer,
        product_name=product.name,
        score=None if worst is None else worst.baseScore,
        vector=None if worst is None else worst.vectorString,
        remedies=tuple(_remedies(advisory, one.remediations, line.product)),
    )


def _remedies(
    advisory: Advisory, remediations: Iterable[Remediation], product: str
) -> Iterator[Remedied]:
    """The best first; one that names no product is for none."""
    ranks = list(Remedy)
    for one in sorted(remediations, key=lambda one: ranks.index(one.category)):
        groups = (advisory.groups[name] for name in one.group_ids)
        if product in one.product_ids or any(product in names for names in groups):
            yield Remedied(category=one.category, details=one.details, url=one.url)
