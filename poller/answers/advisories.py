"""What advisories and service bulletins say of each relay and spare, for people and programs.

Text of documents stands in rows as model.text.shown gives it.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from typing import Any, Final

from poller.answers.due_words import REMEDY, SEVERITY, VERDICT
from poller.answers.listing import natural
from poller.answers.words import position
from poller.model import limits
from poller.model.due import Severity
from poller.model.standing import State
from poller.model.text import shown
from poller.planning.advisories import Finding, Held, Verdict
from poller.planning.boxes import Box
from poller.planning.bulletins import MISOPERATION, Concerned
from poller.planning.csaf_shape import Head
from poller.planning.matching import Truth

PRESSING: Final = frozenset({Verdict.AFFECTED, Verdict.NEEDS_A_PERSON})


@dataclass(frozen=True, slots=True, kw_only=True)
class AdvisoryRow:
    """What one document says of one box.

    source: bulletin or advisory. relay: None of a spare, whose shelf position then is. document:
    b1, or the id that the document gives itself; file: None of a bulletin. path: JSON pointer of
    the line that says it; product: of the product that it names. severity: of a bulletin; score:
    CVSS base score. why: a person must decide. remedies: the best first. rank: the least first.
    """

    source: str
    relay: str | None
    position: str
    serNum: str | None
    swRev: str | None
    verdict: Verdict
    says: str
    document: str
    title: str
    file: str | None
    vulnerability: str | None
    product_name: str | None
    path: str | None
    product: str | None
    severity: Severity | None
    score: float | None
    vector: str | None
    severity_says: str
    why: str | None
    remedies: tuple[str, ...]
    reference: str | None
    rank: int


def advisory_rows(
    held: Held, concerned: Iterable[Concerned], state: State, relays: Collection[str] = ()
) -> tuple[AdvisoryRow, ...]:
    """The most pressing first. relays: only what is about them; empty: spares too."""
    found = [_of_finding(one, state) for one in held.findings if _wanted(one.box, relays)]
    found += [_of_bulletin(one, state) for one in concerned if _wanted(one.box, relays)]
    return tuple(sorted(found, key=_order))


def _wanted(box: Box, relays: Collection[str]) -> bool:
    return not relays or box.relay in relays


def _order(row: AdvisoryRow) -> tuple[Any, ...]:
    return (row.rank, -(row.score or 0), natural(row.position), row.document, row.path or "")


RANKS: Final = {verdict: at for at, verdict in enumerate(Verdict)}
GRAVE: Final = {severity: at for at, severity in enumerate(Severity)}
ADVISORIES_FROM: Final = len(Severity)
"""Bulletins of misoperation stand before every advisory, whatever its score."""


def _of_bulletin(one: Concerned, state: State) -> AdvisoryRow:
    told = one.bulletin
    sure = one.match.truth is Truth.YES
    verdict = Verdict.AFFECTED if sure else Verdict.NEEDS_A_PERSON
    rank = GRAVE[told.severity]
    if told.severity not in MISOPERATION:
        rank = ADVISORIES_FROM + RANKS[Verdict.UNDER_INVESTIGATION]
    return AdvisoryRow(
        source="bulletin",
        **_of_box(one.box, state),
        verdict=verdict,
        says=VERDICT[verdict],
        document=told.id,
        title=shown(told.title),
        file=None,
        vulnerability=None,
        product_name=None,
        path=None,
        product=None,
        severity=told.severity,
        score=None,
        vector=None,
        severity_says=SEVERITY[told.severity],
        why=None if sure else shown(one.match.why, limits.REASON_MAX),
        remedies=() if told.fixed_in is None else (f"fixed in {shown(told.fixed_in)}",),
        reference=None if told.reference is None else shown(told.reference),
        rank=rank,
    )


def _of_finding(one: Finding, state: State) -> AdvisoryRow:
    head = one.advisory.document.document
    return AdvisoryRow(
        source="advisory",
        **_of_box(one.box, state),
        verdict=one.verdict,
        says=VERDICT[one.verdict],
        document=shown(head.tracking.id),
        title=shown(head.title if head.tracking.status == "final" else _unfinished(head)),
        file=shown(one.advisory.file),
        vulnerability=shown(one.vulnerability),
        product_name=shown(one.product_name),
        path=one.path,
        product=one.product,
        severity=None,
        score=one.score,
        vector=None if one.vector is None else shown(one.vector),
        severity_says="-" if one.score is None else f"CVSS {one.score:.1f}",
        why=shown(one.why, limits.REASON_MAX) if one.why else None,
        remedies=tuple(
            f"{REMEDY[each.category]}: {shown(each.details, limits.REASON_MAX)}"
            for each in one.remedies[: limits.SENTENCE_CHANGES_MAX]
        ),
        reference=None,
        rank=ADVISORIES_FROM + RANKS[one.verdict],
    )


def _unfinished(head: Head) -> str:
    return f"{head.tracking.status}: {head.title}"


def _of_box(box: Box, state: State) -> dict[str, Any]:
    plate = box.plate
    place = f"shelf {shown(box.place or '', limits.SENTENCE_TEXT_MAX)}"
    return {
        "relay": box.relay,
        "position": place if box.relay is None else position(box.relay, state),
        "serNum": None if plate.serNum is None else shown(plate.serNum),
        "swRev": None if plate.swRev is None else shown(plate.swRev),
    }
