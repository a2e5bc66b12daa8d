"""bayroll approved: what every relay runs, against what it is to run."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Annotated

import typer
from rich.table import Table

from poller.answers.firmware import FirmwareRow, counted, firmware_rows, select
from poller.answers.words import count, span
from poller.cli import common
from poller.cli.common import Exit, JsonOption, SiteOption, Where
from poller.model.canonical import plain
from poller.model.work import FirmwareStatus


def approved(
    bay: Annotated[str | None, typer.Option("--bay", help="Only this bay.")] = None,
    status: Annotated[
        FirmwareStatus | None, typer.Option("--status", help="Only firmware with this status.")
    ] = None,
    rule: Annotated[
        str | None, typer.Option("--rule", help="Only what this rule of the list is for.")
    ] = None,
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Every firmware of every relay against the approved list.

    Ends with 1 where one is neither current nor an older approved version.
    """
    with common.told():
        place = common.where(site)
        with common.journal(place) as journal:
            state = journal.state()
        everything = firmware_rows(state, datetime.now(UTC))
        common.bay_known(state, bay)
        _rule_known(place, everything, rule)
    found = select(everything, bay=bay, status=status, rule=rule)
    if as_json:
        for row in found:
            common.print_json(plain(row))
    else:
        common.out.print(_table(found))
        said = [f"{number} {_words(status)}" for status, number in counted(found).items()]
        versions = count(len(found), "firmware version", "firmware versions")
        common.out.print(f"{versions}: {', '.join(said)}" if said else "none")
        if all(row.rule is None for row in everything):
            common.err.print(
                "no rule was for any firmware so far\n"
                "    mend: name an approved list in the site file: approved: approved.yaml"
            )
    raise typer.Exit(Exit.DONE if all(row.well for row in found) else Exit.FOUND)


def _rule_known(place: Where, rows: Iterable[FirmwareRow], asked: str | None) -> None:
    """Of the approved list; where the files of the site have faults just now any may be one."""
    site = None if asked is None else common.site_if_sound(place)
    if site is not None:
        listed = {rule.id for rule in site.approved.rules} if site.approved else set()
        common.one_of("rule", asked, listed | {row.rule for row in rows if row.rule is not None})


def _table(found: Iterable[FirmwareRow]) -> Table:
    names = ("bay", "function", "firmware", "version", "target", "status", "for", "rule")
    drawn = Table(box=None, pad_edge=False, show_edge=False)
    for name in names:
        drawn.add_column(name, overflow="fold")
    for row in found:
        since = "-" if row.age_s is None else span(row.age_s)
        told = (row.bay, row.function, row.firmware, row.version or "-", row.target or "-")
        drawn.add_row(*told, _words(row.status), since, row.rule or "-")
    return drawn


def _words(status: FirmwareStatus) -> str:
    return status.replace("_", " ")
