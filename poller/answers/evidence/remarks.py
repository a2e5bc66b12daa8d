"""What in a report asks for an answer, the gravest first: what an auditor would ask about."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from poller.answers.evidence.changes import NO_PACKAGE
from poller.answers.evidence.report import Change, Report
from poller.answers.words import count
from poller.planning.reasons import RATED

NAMED: Final = 10  # changes named one by one


@dataclass(frozen=True, slots=True, kw_only=True)
class Remark:
    """says: a sentence. grave: something is not as it is to be, rather than open. at: where in the
    page it is told more of."""

    says: str
    grave: bool
    at: str


def remarks(report: Report) -> tuple[Remark, ...]:
    found = [*_journal(report), *_relays(report), *_changes(report), *_rest(report)]
    return tuple(sorted(found, key=lambda one: not one.grave))


def _journal(report: Report) -> Iterator[Remark]:
    if not report.chain.whole:
        yield Remark(says=f"The journal is {report.chain.says}", grave=True, at="journal")
    if not report.covered:
        yield Remark(says="The journal does not cover all of the span.", grave=True, at="journal")
    if len(report.asset_classes) > 1:
        says = f"The impact rating was changed: {', then '.join(report.asset_classes)}."
        yield Remark(says=says, grave=False, at="configuration")


def _relays(report: Report) -> Iterator[Remark]:
    for one in report.relays:
        seen = one.coverage
        if seen.kept is False:
            yield Remark(says=f"{one.position}: {seen.duty}.", grave=True, at=f"r-{one.id}")
        elif not seen.read_days and not seen.manual:
            says = f"{one.position} was never read in the span."
            yield Remark(says=says, grave=True, at=f"r-{one.id}")
        elif seen.gaps:
            days = count(sum(gap.days for gap in seen.gaps), "day", "days")
            says = f"{one.position} was not read over the network on {days}."
            yield Remark(says=says, grave=False, at=f"r-{one.id}")
        if one.listed and one.word == "new":
            says = f"{one.position} has no accepted baseline."
            yield Remark(says=says, grave=False, at=f"r-{one.id}")
        elif one.listed and one.word == "differs":
            says = f"{one.position} is not as it was accepted."
            yield Remark(says=says, grave=False, at=f"r-{one.id}")


def _changes(report: Report) -> Iterator[Remark]:
    for one in report.changes:
        if "NOT KEPT" in one.renewal:
            says = f"{one.position}, change {one.seq}: {one.renewal}."
            yield Remark(says=says, grave=True, at=f"e-{one.seq}")
        if "is OPEN" in one.disposition:
            says = f"{one.position}, change {one.seq} ({one.word}): {one.disposition}."
            yield Remark(says=says, grave=True, at=f"e-{one.seq}")
        elif _unaccounted(one):
            says = f"{one.position}, change {one.seq} ({one.word}): {one.authorised}."
            yield Remark(says=says, grave=False, at=f"e-{one.seq}")


def _unaccounted(one: Change) -> bool:
    return one.firmware and not one.disposition and "is not what was planned" in one.authorised


def _rest(report: Report) -> Iterator[Remark]:
    unchecked = [one for one in report.changes if one.package == NO_PACKAGE]
    if unchecked and RATED & set(report.asset_classes):
        numbers = ", ".join(str(one.seq) for one in unchecked[:NAMED])
        more = f" and {len(unchecked) - NAMED:,} more" if len(unchecked) > NAMED else ""
        says = (
            f"Before {count(len(unchecked), 'change', 'changes')} of firmware no check of the "
            f"package was recorded: {numbers}{more} (part 1.6, where the source offers a way)."
        )
        yield Remark(says=says, grave=False, at=f"e-{unchecked[0].seq}")
    for work in report.works:
        wrong = sum(line.ok is False for line in work.lines)
        untold = sum(line.ok is None for line in work.lines)
        found = (
            f"{count(number, 'line', 'lines')} {says}"
            for number, says in ((wrong, "not as expected"), (untold, "not told"))
            if number
        )
        if says := ", ".join(found):
            says = f"Work {work.id}, {work.position} ({work.state}): {says}."
            yield Remark(says=says, grave=False, at=f"w-{work.id}")
    for package in report.packages:
        if package.against:
            says = f"Package {package.file}: {'; '.join(package.against)}."
            yield Remark(says=says, grave=False, at="packages")
