"""The report as tables for a spreadsheet: RFC 4180, UTF-8 with a byte order mark.

What a spreadsheet would take for a formula has an apostrophe before it.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Iterator
from datetime import date, datetime
from typing import Any, Final, TypeAlias

from poller.answers.evidence.report import Report
from poller.answers.measures import number, source, stands
from poller.model.canonical import stamp
from poller.site.relay_columns import guarded

Row: TypeAlias = tuple[Any, ...]


def _relays(report: Report) -> Iterator[Row]:
    yield (
        "relay",
        "position",
        "address",
        "listed at the end",
        "read by hand only",
        "baseline at the end",
        "changes",
        "days listed",
        "days read",
        "readings at least",
        "front-panel readings",
        "longest interval, days",
        "longest with front panel, days",
        "days not read",
        "duty",
    )
    for one in report.relays:
        seen = one.coverage
        yield (
            one.id,
            one.position,
            one.address,
            one.listed,
            one.by_hand,
            one.word,
            len(one.changes),
            seen.days,
            seen.read_days,
            seen.readings,
            seen.manual,
            seen.interval,
            seen.with_manual,
            seen.days - seen.read_days,
            seen.duty,
        )


def _nameplates(report: Report) -> Iterator[Row]:
    yield "relay", "position", "attribute", "in words", "accepted", "at the end"
    for one in report.relays:
        for line in one.lines:
            yield one.id, one.position, line.name, line.says, line.accepted, line.present


def _baselines(report: Report) -> Iterator[Row]:
    yield "relay", "position", "event", "at", "by", "why", "reference", "what", "before the span"
    for one in report.relays:
        for row in one.baselines:
            told = (row.seq, row.at, row.by, row.why, row.reference, row.what, row.in_force_before)
            yield one.id, one.position, *told


def _changes(report: Report) -> Iterator[Row]:
    yield (
        "event",
        "recorded",
        "relay",
        "position",
        "class",
        "attribute",
        "in words",
        "before",
        "after",
        "way",
        "item 1.1.1",
        "last reading of the old",
        "first reading of the new",
        "read by hand",
        "work",
        "authorised",
        "package",
        "verified",
        "disposition",
        "accepted again",
        "days until then or the end",
        "in words",
    )
    for one in report.changes:
        for each in one.attributes:
            yield (
                one.seq,
                one.at,
                one.relay,
                one.position,
                one.word,
                each.name,
                each.says,
                each.before,
                each.after,
                each.way,
                one.firmware,
                one.since,
                one.read_at,
                one.by_hand,
                one.work,
                one.authorised,
                one.package,
                one.verified,
                one.disposition,
                one.renewed,
                one.renewed_days,
                one.renewal,
            )


def _readings(report: Report) -> Iterator[Row]:
    yield "relay", "position", "event", "entered", "read", "by", "reference", "value", "text"
    for one in report.relays:
        for row in one.readings:
            for says, text in row.values:
                told = (row.seq, row.at, row.read_at, row.by, row.reference, says, text)
                yield one.id, one.position, *told


def _gaps(report: Report) -> Iterator[Row]:
    yield "relay", "position", "first day", "last day", "days", "front-panel readings", "why"
    for one in report.relays:
        for gap in one.coverage.gaps:
            why = "; ".join(gap.why)
            yield one.id, one.position, gap.first, gap.last, gap.days, gap.manual, why


def _works(report: Report) -> Iterator[Row]:
    yield (
        "work",
        "relay",
        "position",
        "meant",
        "settings",
        "window",
        "reference",
        "entered",
        "entered by",
        "at the end",
    )
    for one in report.works:
        told = (one.meant, one.settings, one.window, one.reference, one.entered_at, one.entered_by)
        yield one.id, one.relay, one.position, *told, one.state


def _steps(report: Report) -> Iterator[Row]:
    yield "work", "relay", "event", "at", "by", "what"
    for one in report.works:
        for step in one.steps:
            yield one.id, one.relay, step.seq, step.at, step.by, step.says


def _verification(report: Report) -> Iterator[Row]:
    yield "work", "relay", "checked", "expected", "read", "at", "as expected"
    for one in report.works:
        for line in one.lines:
            yield one.id, one.relay, line.says, line.expected, line.read, line.at, line.ok


def _packages(report: Report) -> Iterator[Row]:
    yield (
        "event",
        "at",
        "by",
        "file",
        "octets",
        "sha256",
        "rule",
        "version",
        "signature",
        "digest from",
        "for",
        "against it",
    )
    for one in report.packages:
        told = (one.rule, one.version, one.signature, one.source)
        lists = ("; ".join(one.relays), "; ".join(one.against))
        yield one.seq, one.at, one.by, one.file, one.size, one.sha256, *told, *lists


def _told(which: str) -> Callable[[Report], Iterator[Row]]:
    def rows(report: Report) -> Iterator[Row]:
        yield "event", "at", "by", "what"
        for one in getattr(report, which):
            yield one.seq, one.at, one.by, one.says

    return rows


def _alarms(report: Report) -> Iterator[Row]:
    yield "figure", "here", "unit", "target", "most", "where it stands", "source"
    for one in () if report.measures is None else report.measures.figures:
        most = None if one.most is None else f"{one.most:g}"
        target = f"{one.target:g}"
        yield one.name, number(one.value), one.unit, target, most, stands(one).value, source(one)


def _configurations(report: Report) -> Iterator[Row]:
    yield "event", "in force from", "sha256", "impact rating", "files here"
    for one in report.configurations:
        yield one.seq or None, one.at, one.sha256, one.asset_class, len(one.files)


TABLES: Final[dict[str, Callable[[Report], Iterator[Row]]]] = {
    "relays.csv": _relays,
    "nameplates.csv": _nameplates,
    "baselines.csv": _baselines,
    "changes.csv": _changes,
    "readings.csv": _readings,
    "gaps.csv": _gaps,
    "work.csv": _works,
    "work_steps.csv": _steps,
    "verification.csv": _verification,
    "packages.csv": _packages,
    "entered.csv": _told("entered"),
    "poller.csv": _told("poller"),
    "alarms.csv": _alarms,
    "configurations.csv": _configurations,
}


def as_csv(rows: Iterable[Row]) -> bytes:
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    for row in rows:
        writer.writerow([_cell(one) for one in row])
    return text.getvalue().encode("utf-8-sig")


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, datetime):
        return stamp(value)
    if isinstance(value, date):
        return value.isoformat()
    return guarded(str(value))
