"""What is due, and what to fetch for it, as a person or a program reads it.

Text of devices and people stands in it as model.text.shown gives it.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import groupby
from typing import Final

from poller.answers.words import count, position
from poller.answers.work import InTheWay
from poller.model import limits
from poller.model.attribute_words import attribute
from poller.model.standing import State
from poller.model.text import shown
from poller.planning.due import Course, Due
from poller.planning.fetch import Fetch
from poller.site.approved import Step
from poller.site.relay_columns import guarded


@dataclass(frozen=True, slots=True, kw_only=True)
class DueReason:
    """cause: its stable name. by: the last day, 2026-03-01; None: none is set."""

    cause: str
    says: str
    by: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class DueStep:
    """One step of a way, as the approved list has it. remarks: what to mind of it, in words."""

    version_from: str
    version_to: str
    direction: str
    minutes: int
    settings_survive: bool
    can_be_undone: bool
    memory_kb: int | None
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class DueWay:
    """Of one firmware to its target. steps: empty where no way is permitted, as says tells."""

    attribute: str
    present: str
    target: str
    rule: str
    steps: tuple[DueStep, ...]
    minutes: int
    permitted: bool
    says: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DueRow:
    """place: from 1, the most pressing. relay: None where it is about a maker. work: open on it.

    in_the_way: of the first step; ready: nothing that is read is, None where there is no step.
    waits_until: an exception lets what is due wait so long, and why.
    """

    place: int
    relay: str | None
    maker: str | None
    position: str
    reasons: tuple[DueReason, ...]
    ways: tuple[DueWay, ...]
    in_the_way: tuple[InTheWay, ...]
    ready: bool | None
    work: tuple[str, ...]
    waits_until: str | None
    waits_why: str | None


def due_rows(found: Iterable[Due], state: State) -> tuple[DueRow, ...]:
    return tuple(_row(place, one, state) for place, one in enumerate(found, start=1))


def _row(place: int, one: Due, state: State) -> DueRow:
    named = position(one.relay, state) if one.relay is not None else shown(one.maker or "")
    most = limits.REASON_MAX
    return DueRow(
        place=place,
        relay=one.relay,
        maker=None if one.maker is None else shown(one.maker),
        position=named,
        reasons=tuple(
            DueReason(
                cause=reason.cause.name.lower(),
                says=shown(reason.says, most),
                by=None if reason.by is None else reason.by.isoformat(),
            )
            for reason in one.reasons
        ),
        ways=tuple(_way(course) for course in one.courses),
        in_the_way=tuple(
            InTheWay(rule=each.rule, says=shown(each.says, most), cure=shown(each.cure, most))
            for each in one.obstacles
        ),
        ready=not one.obstacles if any(course.way for course in one.courses) else None,
        work=one.works,
        waits_until=None if one.waits is None else one.waits.until,
        waits_why=None if one.waits is None else shown(one.waits.why, most),
    )


def _way(course: Course) -> DueWay:
    steps = course.way or ()
    return DueWay(
        attribute=course.attribute,
        present=shown(course.present),
        target=course.target,
        rule=course.rule.id,
        steps=tuple(map(_step, steps)),
        minutes=sum(step.minutes for step in steps),
        permitted=course.way is not None,
        says=_says(course),
    )


def _step(step: Step) -> DueStep:
    return DueStep(
        version_from=step.from_,
        version_to=step.to,
        direction=step.direction,
        minutes=step.minutes,
        settings_survive=step.settings_survive,
        can_be_undone=step.can_be_undone,
        memory_kb=step.memory_kb,
        remarks=tuple(_remarks(step)),
    )


def _says(course: Course) -> str:
    """firmware: 2.06.004 to 2.07.013 (20 min), to 3.00.004 (45 min, settings do not survive)."""
    name = attribute(course.attribute)
    here = shown(course.present, limits.SENTENCE_TEXT_MAX)
    if course.way is None:
        return f"{name}: rule {course.rule.id} permits no way from {here} to {course.target}"
    told = [f"to {step.to} ({', '.join(_remarks(step))})" for step in course.way]
    return f"{name}: {here} {', then '.join(told)}"


def _remarks(step: Step) -> Iterator[str]:
    yield f"{step.minutes} min"
    if step.direction == "rollback":
        yield "back"
    if not step.settings_survive:
        yield "settings do not survive"
    if not step.can_be_undone:
        yield "can't be undone"
    if step.memory_kb is not None:
        yield f"needs {step.memory_kb:,} kB"


BY: Final = {"family": "family", "order_code": "order code", "serial_number": "serial number"}


@dataclass(frozen=True, slots=True, kw_only=True)
class FetchRow:
    """by: what the maker asks for. what: that text, "" where the nameplate does not tell it."""

    family: str
    version: str
    by: str
    what: str
    relays: int
    positions: str
    files: str
    checked: str


def fetch_rows(found: Iterable[Fetch], state: State) -> tuple[FetchRow, ...]:
    return tuple(
        FetchRow(
            family=one.rule.family,
            version=one.version,
            by=BY[one.rule.fetched_by],
            what="" if one.what is None else shown(one.what),
            relays=len(one.relays),
            positions=", ".join(position(name, state) for name in one.relays),
            files=", ".join(map(shown, one.files)),
            checked="yes" if one.checked else "no",
        )
        for one in found
    )


def fetch_csv(rows: Iterable[FetchRow]) -> bytes:
    """RFC 4180, UTF-8 with a byte order mark; what could be a formula has an apostrophe before."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(
        ("family", "version", "asked for by", "which", "relays", "positions", "files", "checked")
    )
    for row in rows:
        cells = (row.family, row.version, row.by, row.what, row.relays, row.positions)
        writer.writerow([guarded(str(cell)) for cell in (*cells, row.files, row.checked)])
    return text.getvalue().encode("utf-8-sig")


def fetch_text(rows: Iterable[FetchRow]) -> str:
    """To paste into a letter to a maker: no positions of the station, only what they ask for."""
    lines = []
    for (family, version, by), same in groupby(rows, key=lambda r: (r.family, r.version, r.by)):
        told = list(same)
        lines.append(f"{family}, firmware {version}")
        if by != BY["family"]:
            known = [row.what for row in told if row.what]
            lines.append(f"  for {by}: {', '.join(known) or 'not known'}")
            if len(known) < len(told):
                unknown = sum(row.relays for row in told if not row.what)
                blind = count(unknown, "relay", "relays")
                lines.append(f"  and for {blind} of which no {by} is known")
    return "\n".join(lines) + ("\n" if lines else "")
