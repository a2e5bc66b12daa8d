"""bayroll due: what is due and why, by which way, and which packages to fetch for it."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from poller.answers.due import DueRow, due_rows, fetch_csv, fetch_rows, fetch_text
from poller.answers.words import count
from poller.cli import common
from poller.cli.alarms import ListByItself
from poller.cli.common import Exit, JsonOption, SiteOption
from poller.cli.new_file import put
from poller.model.canonical import plain
from poller.model.standing import State
from poller.planning.due import Due, due
from poller.planning.fetch import to_fetch

due_ = typer.Typer(
    cls=ListByItself,
    help="What is due of each relay, the most pressing first.\n\nWithout a command: the list.",
)
RelayOption = Annotated[
    list[str] | None, typer.Option("--relay", help="Only of this one; may be repeated.")
]


@due_.command("list")
def list_(
    relay: RelayOption = None,
    bay: Annotated[str | None, typer.Option("--bay", help="Only of this bay.")] = None,
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Why, the whole way of steps, and what stands in the way of the first.

    Ends with 1 where anything is due that no exception lets wait.
    """
    with common.told():
        found, state = _found(site, relay)
        common.bay_known(state, bay)
    rows = [
        row
        for row in due_rows(found, state)
        if bay is None or (row.relay is not None and _bay(state, row.relay) == bay.casefold())
    ]
    if as_json:
        for row in rows:
            common.print_json(plain(row))
    else:
        for row in rows:
            _print(row)
        waiting = sum(row.waits_until is not None for row in rows)
        waits = f", {waiting} of them may wait" if waiting else ""
        common.out.print(f"{count(len(rows), 'relay or maker', 'relays and makers')} due{waits}")
    pressing = any(row.waits_until is None for row in rows)
    raise typer.Exit(Exit.FOUND if pressing else Exit.DONE)


def _bay(state: State, relay: str) -> str:
    return state.relays[relay].bay.casefold()


def _found(site: Path | None, relays: list[str] | None) -> tuple[tuple[Due, ...], State]:
    place = common.where(site)
    told = common.known(place)
    common.relays_known(told.state, relays or ())
    found = due(
        told.state, told.site, told.held, told.concerned, common.live(place), datetime.now(UTC)
    )
    for problem in told.held.unusable:
        common.err.print(str(problem))
    return tuple(one for one in found if not relays or one.relay in relays), told.state


def _print(row: DueRow) -> None:
    say = common.say
    named = row.position if row.relay is None else f"{row.position} ({row.relay})"
    work = f"; open work: {', '.join(row.work)}" if row.work else ""
    say(f"{row.place}. {named}{work}")
    for reason in row.reasons:
        say(f"why: {reason.says}", 4)
    for way in row.ways:
        say(f"way: {way.says}", 4)
    for each in row.in_the_way:
        say(f"in the way ({each.rule}): {each.says}", 4)
        say(f"mend: {each.cure}", 8)
    if row.ready:
        say("nothing that is read stands in the way of the first step", 4)
    if row.waits_until is not None:
        say(f"may wait until {row.waits_until}: {row.waits_why}", 4)


@due_.command()
def fetch(
    relay: RelayOption = None,
    as_csv: Annotated[bool, typer.Option("--csv", help="For a spreadsheet.")] = False,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="A new file; without it, print.")
    ] = None,
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Which packages to fetch, as each maker asks for them; without options, as text to paste."""
    with common.told():
        found, state = _found(site, relay)
        rows = fetch_rows(to_fetch(found, state), state)
        if as_json:
            for row in rows:
                common.print_json(plain(row))
        else:
            put(fetch_csv(rows) if as_csv else fetch_text(rows).encode(), out)
