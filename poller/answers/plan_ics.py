"""A plan of outages as iCalendar (RFC 5545): an event for each step and for each pilot's hold.

Times are UTC, so that no time zone need be described. An event's UID follows from its site, relay,
firmware and version: a plan that moves a step moves its event.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from importlib.metadata import version
from typing import Final

from poller.answers.plan import CAUTIONS, HoldRow, StepRow
from poller.planning.outages.plan import OutagePlan
from poller.site.settings import SiteFile

LINE_OCTETS: Final = 75  # RFC 5545, 3.1, without the line break


def plan_ics(
    made: OutagePlan,
    steps: Iterable[StepRow],
    holds: Iterable[HoldRow],
    site: SiteFile,
) -> bytes:
    """steps, holds: the rows of this plan, in its order."""
    stamp = made.question.now
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", f"PRODID:-//Bayroll//{version('bayroll')}//EN"]
    for placed, row in zip(made.placed, steps, strict=True):
        key = (row.relay, made.question.jobs[made.question.steps[placed.step].job].attribute)
        title = f"{row.position}: {row.firmware} {row.version_from} to {row.version_to}"
        lines += _event(
            uid=_uid(site, "step", *key, row.version_to),
            stamp=stamp,
            start=placed.start,
            end=placed.end,
            summary=f"{title} (pilot)" if row.pilot else title,
            place=f"{site.name}, bay {row.bay}",
            says=[_window(row), f"{row.minutes} min, team {row.team}", *CAUTIONS],
        )
    for hold, each in zip(made.holds, holds, strict=True):
        stop = ["It stops if:", *(f"- {words}" for words in each.stop)] if each.stop else []
        lines += _event(
            uid=_uid(site, "hold", each.family, each.relay),
            stamp=stamp,
            start=hold.since,
            end=hold.until,
            summary=f"Hold of {each.position}, the pilot of {each.family}",
            place=site.name,
            says=[f"No other of {each.family} is updated before it ends.", *stop],
            busy=False,
        )
    lines.append("END:VCALENDAR")
    return b"".join(_folded(line) for line in lines)


def _window(row: StepRow) -> str:
    reference = "" if row.reference is None else f", {row.reference}"
    return f"Outage {row.window}{reference}"


def _uid(site: SiteFile, *about: str) -> str:
    told = "\n".join((site.site, *about))
    return f"{hashlib.sha256(told.encode()).hexdigest()[:32]}@{site.site}.bayroll"


def _event(
    *,
    uid: str,
    stamp: datetime,
    start: datetime,
    end: datetime,
    summary: str,
    place: str,
    says: Iterable[str],
    busy: bool = True,
) -> Iterator[str]:
    yield "BEGIN:VEVENT"
    yield f"UID:{uid}"
    yield f"DTSTAMP:{_utc(stamp)}"
    yield f"DTSTART:{_utc(start)}"
    yield f"DTEND:{_utc(max(start, end))}"
    yield f"SUMMARY:{_text(summary)}"
    yield f"LOCATION:{_text(place)}"
    yield f"DESCRIPTION:{_text(chr(10).join(says))}"
    yield f"TRANSP:{'OPAQUE' if busy else 'TRANSPARENT'}"
    yield "END:VEVENT"


def _utc(at: datetime) -> str:
    return f"{at.astimezone(UTC):%Y%m%dT%H%M%SZ}"


def _text(words: str) -> str:
    """RFC 5545, 3.3.11; other control characters may not stand in it at all."""
    escaped = words.replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,")
    lines = escaped.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    return "\\n".join("".join(c for c in line if c.isprintable()) for line in lines)


def _folded(line: str) -> bytes:
    """RFC 5545, 3.1: no line is longer than 75 octets, and no character is cut through."""
    pieces, room = [b""], LINE_OCTETS
    for character in line:
        octets = character.encode()
        if len(octets) > room:
            pieces.append(b" ")
            room = LINE_OCTETS - 1
        pieces[-1] += octets
        room -= len(octets)
    return b"\r\n".join(pieces) + b"\r\n"
