"""bayroll alarms measures: how well the alarms of a period could be dealt with."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated

import typer

from poller.alarms.measures import LEAST, Measures
from poller.answers.measures import TOO_SHORT, number, source
from poller.answers.words import count, moment, span
from poller.cli import common
from poller.cli.common import Exit, JsonOption, SiteOption
from poller.cli.zone import machine_zone
from poller.journal.period import measures_of
from poller.model.canonical import plain
from poller.model.text import shown
from poller.site.shipped_alarms import catalogue_of
from poller.work.window import instant, zone_named


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
            found = measures_of(journal, first, last, catalogue)
    if found is None:
        common.fail(
            Exit.BAD_INPUT,
            f"nothing was recorded from {moment(first)} to {moment(last)}\n"
            "    mend: give a period of the journal; see: bayroll history",
        )
    if as_json:
        common.print_json(plain(found) | {"long_enough": found.long_enough})
    else:
        _print(found)


def _print(found: Measures) -> None:
    out = common.out
    length = span(int((found.end - found.start).total_seconds()))
    out.print(f"{moment(found.start)} to {moment(found.end)}, {length}:")
    out.print(f"the operator was told {count(found.alarms, 'alarm', 'alarms')}")
    sources = list(dict.fromkeys(source(one) for one in found.figures))
    drawn = common.table(("figure", "here", "", "target", "most", "source"))
    for one in found.figures:
        most = "-" if one.most is None else f"{one.most:g}"
        place = str(sources.index(source(one)) + 1)
        drawn.add_row(one.name, number(one.value), one.unit, f"{one.target:g}", most, place)
    out.print(drawn)
    for at, text in enumerate(sources, 1):
        out.print(f"source {at}: {text}")
    for flood in found.floods:
        alarms = count(flood.alarms, "alarm", "alarms")
        out.print(f"flood: {moment(flood.start)} to {moment(flood.end)}, {alarms}")
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
