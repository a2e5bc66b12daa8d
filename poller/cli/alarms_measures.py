"""bayroll alarms measures: how well the alarms of a period could be dealt with."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Annotated, Final

import typer

from poller.alarms.measures import LEAST, Figure, Measures, measured
from poller.answers.words import count, moment, span
from poller.cli import common
from poller.cli.common import Exit, JsonOption, SiteOption
from poller.cli.zone import machine_zone
from poller.journal import Journal
from poller.model.canonical import plain
from poller.model.events import AlarmInhibited, AlarmMoved, Event
from poller.model.text import shown
from poller.site.shipped_alarms import catalogue_of
from poller.work.window import instant, zone_named

KINDS: Final = (AlarmMoved.kind, AlarmInhibited.kind)
TOO_SHORT: Final = "Less than 30 days tell little: the standard asks for 30 at least."


def measures(
    start: Annotated[
        str | None,
        typer.Option(
            "--from", metavar="TIME", help="2026-03-01, or 2026-03-01 09:00; default: 30 days back."
        ),
    ] = None,
    end: Annotated[
        str | None, typer.Option("--to", metavar="TIME", help="The same; default: now.")
    ] = None,
    zone: Annotated[
        str | None, typer.Option("--zone", help="Time zone, Europe/Berlin; default: the machine's.")
    ] = None,
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """The figures of ISA-18.2, each beside its target, for what the operator was told."""
    with common.told():
        local = zone_named(zone or machine_zone())
        place = common.where(site)
        known = common.site_if_sound(place)
        catalogue = None if known is None else catalogue_of(known)
        with common.journal(place) as journal:
            now = datetime.now(UTC)
            last = now if end is None else min(now, instant(end, local))
            first = last - LEAST if start is None else instant(start, local)
            begins, ends = _recorded(journal, first, last)
            found = measured(
                _events(journal),
                begins,
                ends,
                None if catalogue is None else catalogue.targets,
                None if catalogue is None else catalogue.chattering,
            )
    if as_json:
        common.print_json(plain(found) | {"long_enough": found.long_enough})
    else:
        _print(found)


def _recorded(journal: Journal, first: datetime, last: datetime) -> tuple[datetime, datetime]:
    """The part of first to last for which there is a journal: it can't tell of the time before."""
    oldest = journal.read(0, 1)
    begins = max(first, oldest[0].event.at) if oldest else last
    if begins >= last:
        common.fail(
            Exit.BAD_INPUT,
            f"nothing was recorded from {moment(first)} to {moment(last)}\n"
            "    mend: give a period of the journal; see: bayroll history",
        )
    return begins, last


def _events(journal: Journal) -> Iterator[Event]:
    after = 0
    while batch := journal.history(kinds=KINDS, after=after):
        yield from (one.event for one in batch)
        after = batch[-1].seq


def _print(found: Measures) -> None:
    out = common.out
    length = span(int((found.end - found.start).total_seconds()))
    out.print(f"{moment(found.start)} to {moment(found.end)}, {length}:")
    out.print(f"the operator was told {count(found.alarms, 'alarm', 'alarms')}")
    sources = list(dict.fromkeys(_source(one) for one in found.figures))
    drawn = common.table(("figure", "here", "", "target", "most", "source"))
    for one in found.figures:
        most = "-" if one.most is None else f"{one.most:g}"
        place = str(sources.index(_source(one)) + 1)
        drawn.add_row(one.name, _number(one.value), one.unit, f"{one.target:g}", most, place)
    out.print(drawn)
    for at, source in enumerate(sources, 1):
        out.print(f"source {at}: {source}")
    for flood in found.floods:
        out.print(f"flood: {moment(flood.start)} to {moment(flood.end)}, {flood.alarms} alarms")
    for name, times in found.top:
        out.print(f"most frequent: {shown(name)}, {count(times, 'time', 'times')}")
    for word, names in (
        ("chattering", found.chattering),
        ("fleeting", found.fleeting),
        ("stale", found.stale),
    ):
        for name in names:
            out.print(f"{word}: {shown(name)}")
    out.print(found.scope)
    if not found.long_enough:
        out.print(TOO_SHORT)


def _source(one: Figure) -> str:
    return f"{one.source}; {one.note}" if one.note else one.source


def _number(value: float | None) -> str:
    """Two decimals at most; what is not quite nothing is not told as nothing."""
    if value is None:
        return "-"
    if 0 < value < 0.005:
        return "under 0.01"
    return f"{value:,.2f}".rstrip("0").rstrip(".")
