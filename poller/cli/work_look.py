"""bayroll work list, show, sheet: what is planned, how far it came, and the page to sign."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer
from rich.table import Table

from poller.answers.sheet import sheet as sheet_of
from poller.answers.sheet_html import as_html
from poller.answers.sheet_text import as_text
from poller.answers.words import count, moment, span
from poller.answers.work import WorkPicture, WorkRow, asked, rows
from poller.cli import common
from poller.cli.common import Exit, JsonOption, SiteOption
from poller.cli.new_file import put
from poller.model.canonical import plain
from poller.model.standing import State
from poller.model.work import Work, WorkState
from poller.work.line_names import NOT_READ

OK = {True: "as expected", False: "NOT as expected", None: "not told yet"}


def list_(
    relay: Annotated[
        list[str] | None, typer.Argument(metavar="[RELAY]...", help="Only work on these relays.")
    ] = None,
    state: Annotated[
        list[WorkState] | None,
        typer.Option("--state", help="Only work in this state; may be repeated."),
    ] = None,
    everything: Annotated[
        bool, typer.Option("--all", help="Closed and cancelled work too.")
    ] = False,
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Work by the start of its window."""
    with common.told():
        with common.journal(common.where(site)) as journal:
            known = journal.state()
        common.relays_known(known, relay or ())
    found = rows(known, datetime.now(UTC), relays=relay or (), states=state or (), ended=everything)
    if as_json:
        for row in found:
            common.print_json(plain(row))
    else:
        common.out.print(_table(found))
        common.out.print(count(len(found), "piece of work", "pieces of work"))


def _table(found: Iterable[WorkRow]) -> Table:
    names = ("id", "position", "what is meant", "window", "state", "for")
    drawn = common.table(names)
    for row in found:
        drawn.add_row(row.id, row.position, row.meant, row.window, row.says, span(row.age_s))
    return drawn


def show(
    work_id: Annotated[str, typer.Argument(metavar="ID", help="Of the work; see: work list.")],
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """One piece of work: what stands in the way, how it came out line by line, what to do next."""
    with common.told():
        place = common.where(site)
        with common.journal(place) as journal:
            state = journal.state()
        one = _work(state, work_id)
        reading = common.live(place).get(one.plan.relay)
        seen = asked(one, state, common.site_if_sound(place), reading, datetime.now(UTC))
    if as_json:
        common.print_json(plain(seen))
    else:
        _print(seen)


def _work(state: State, name: str) -> Work:
    if name not in state.works:
        common.fail(Exit.BAD_INPUT, f"{name}: no such work\n    mend: see: bayroll work list --all")
    return state.works[name]


def _print(seen: WorkPicture) -> None:
    out = common.out
    out.print(f"{seen.id}  {seen.position} ({seen.relay}): {seen.meant}")
    out.print(f"{seen.says}, for {span(seen.age_s)}; next: {seen.next}")
    out.print(f"window {seen.window}")
    reference = "" if seen.reference is None else f"; reference {seen.reference}"
    out.print(f"planned by {seen.by or 'nobody named'} on {moment(seen.entered_at)}{reference}")
    for rule in seen.overridden:
        out.print(f"decided against: {rule}")
    drawn = common.table(("", "before", "afterwards"))
    for one in seen.expects:
        drawn.add_row(one.says, one.before or "-", one.after or "as before")
    out.print(drawn)
    if seen.settings is not None:
        told = seen.settings
        out.print(f"settings {told.name}, SHA-256 {told.sha256_before}")
        if told.sha256_after is not None:
            out.print(f"after conversion, SHA-256 {told.sha256_after}")
        out.print(f"reviewed by {told.reviewed_by or 'nobody named'}")
    for way in seen.in_the_way or ():
        out.print(f"in the way ({way.rule}): {way.says}\n    mend: {way.cure}")
    if seen.in_the_way:
        out.print(f"what a person confirmed: bayroll work note {seen.id} --kind KIND TEXT")
    if seen.in_the_way == ():
        out.print("nothing stands in the way of starting it")
    _print_lines(seen)
    for note in seen.notes:
        out.print(f"{moment(note.at)}  {note.says}: {note.text}  [{note.by or 'nobody named'}]")
    for name in seen.investigations:
        out.print(f"linked to investigation {name}")


def _print_lines(seen: WorkPicture) -> None:
    if not seen.lines:
        return
    drawn = common.table(("checked", "expected", "read", "when", ""))
    for line in seen.lines:
        when = "-" if line.at is None else moment(line.at)
        drawn.add_row(line.says, line.expected, line.read or "-", when, OK[line.ok])
    common.out.print(drawn)
    for line in seen.lines:
        if line.next is not None and (line.ok is False or line.name in NOT_READ):
            common.out.print(f"{line.says}: {line.next}")


def sheet(
    work_id: Annotated[str, typer.Argument(metavar="ID", help="Of the work; see: work list.")],
    html: Annotated[
        bool, typer.Option("--html", help="One HTML page that loads nothing, in place of text.")
    ] = False,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="A new file; without it, print.")
    ] = None,
    site: SiteOption = None,
) -> None:
    """The page to print that people fill in and sign."""
    with common.told():
        place = common.where(site)
        with common.journal(place) as journal:
            state = journal.state()
        one = _work(state, work_id)
        made = sheet_of(one, state, common.site_of(place), datetime.now(UTC))
        put((as_html(made) if html else as_text(made)).encode(), out)
