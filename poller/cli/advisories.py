"""bayroll advisories: what advisories and service bulletins say of relays and spares."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Annotated

import typer
from rich.table import Table

from poller.answers.advisories import PRESSING, AdvisoryRow, advisory_rows
from poller.answers.words import count
from poller.cli import common
from poller.cli.alarms import ListByItself
from poller.cli.ask import ask
from poller.cli.common import Exit, JsonOption, SiteOption, Where, WhoOption
from poller.model.canonical import plain
from poller.model.standing import shown as present
from poller.model.text import shown
from poller.planning.boxes import unread
from poller.planning.known import Known

advisories = typer.Typer(
    cls=ListByItself,
    help="Security advisories (CSAF 2.0) and service bulletins, held against relays and spares.\n\n"
    "Without a command: the list; `bayroll advisories --relay q01-main1` is `bayroll advisories "
    "list --relay q01-main1`.",
)


@advisories.command("list")
def list_(
    relay: Annotated[
        list[str] | None, typer.Option("--relay", help="Only about this one; may be repeated.")
    ] = None,
    everything: Annotated[
        bool, typer.Option("--all", help="Also what is fixed, not affected or investigated.")
    ] = False,
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """What concerns relays and spares, the most pressing first.

    Ends with 1 where something is affected, needs a person, or a document can't be used.
    """
    with common.told():
        told = common.known(common.where(site))
        common.relays_known(told.state, relay or ())
    found = advisory_rows(told.held, told.concerned, told.state, relay or ())
    pressing = any(row.verdict in PRESSING for row in found) or bool(told.held.unusable)
    shown_rows = [row for row in found if everything or relay or row.verdict in PRESSING]
    if as_json:
        _print_json(shown_rows, told)
    else:
        _print(shown_rows, told, in_full=bool(relay))
    raise typer.Exit(Exit.FOUND if pressing else Exit.DONE)


def _print_json(rows: Iterable[AdvisoryRow], told: Known) -> None:
    for row in rows:
        common.print_json({"is": "finding", **plain(row)})
    for problem in told.held.unusable:
        common.print_json({"is": "unusable", **plain(problem)})
    for file, vendor, product in told.held.elsewhere:
        common.print_json(
            {"is": "name_unknown", "file": file, "vendor": vendor, "product": product}
        )
    for name in unread(told.state):
        common.print_json({"is": "relay_unknown", "relay": name})


def _print(rows: list[AdvisoryRow], told: Known, in_full: bool) -> None:
    out, err = common.out, common.err
    if in_full:
        for row in rows:
            _in_full(row)
    elif rows:
        out.print(_table(rows))
    affected = sum(row.verdict in PRESSING for row in rows)
    out.print(f"{count(affected, 'line', 'lines')} of advisories and bulletins to act on")
    for problem in told.held.unusable:
        err.print(str(problem))
    names = told.held.elsewhere
    for file, vendor, product in names[:NAMES_TOLD]:
        maker = "" if vendor is None else f"{shown(vendor, 60)}, "
        err.print(f"{shown(file)}: {maker}{shown(product, 60)} is no name of a family here")
    if len(names) > NAMES_TOLD:
        err.print(f"and {count(len(names) - NAMES_TOLD, 'name', 'names')} more; see --json")
    if names:
        err.print(
            "    mend: add such names to named: of a family in the file of advisories' families, "
            "or to elsewhere: where no relay here is meant"
        )
    if not told.named:
        err.print(
            "no advisory was read\n    mend: name a file of families in the site file: "
            "advisories: advisories.yaml"
        )
    blind = unread(told.state)
    if blind:
        err.print(
            f"{count(len(blind), 'relay was', 'relays were')} held against nothing, since no model "
            f"of theirs is known: {', '.join(blind[:8])}{' ...' if len(blind) > 8 else ''}"
        )


NAMES_TOLD = 8


def _table(rows: Iterable[AdvisoryRow]) -> Table:
    drawn = common.table(("position", "firmware", "says", "severity", "document, what it is about"))
    for row in rows:
        named = " ".join(filter(None, (row.document, row.vulnerability)))
        told = (row.position, row.swRev or "-", row.says, row.severity_says)
        drawn.add_row(*told, f"{named}\n{row.title}")
    return drawn


def _in_full(row: AdvisoryRow) -> None:
    say = common.say
    what = row.title if row.vulnerability is None else f"{row.vulnerability}: {row.title}"
    scored = row.severity is not None or row.score is not None
    say(f"{row.position}, firmware {row.swRev or 'not known'}: {row.says}")
    say(f"{row.document}: {what}; {row.severity_says if scored else 'no score given'}", 4)
    if row.vector is not None:
        say(f"vector {row.vector}", 4)
    if row.why is not None:
        say(f"a person decides: {row.why}", 4)
    for remedy in row.remedies:
        say(remedy, 4)
    if row.reference is not None:
        say(f"reference {row.reference}", 4)
    if row.file is not None:
        say(f"{row.file}: {row.path}", 4)
        say(f"product {row.product_name}: {row.product}", 4)


@advisories.command()
def evaluated(
    maker: Annotated[str, typer.Argument(metavar="MAKER", help="As its relays tell it.")],
    found: Annotated[
        str, typer.Option("--found", help='What it released; or: "nothing released this month".')
    ],
    who: WhoOption = "",
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Put on record that what a maker released was looked through (CIP-007-6, part 2.2)."""
    with common.told():
        place = common.where(site)
        _known_maker(place, maker)
        answer = ask(place, "evaluation_enter", {"who": who, "vendor": maker, "found": found})
    if as_json:
        common.print_json(answer)
    else:
        common.out.print(f"{shown(maker)}: evaluated: {shown(found)}")


def _known_maker(place: Where, maker: str) -> None:
    """Ends the command where no relay here tells this maker: the list would go on asking."""
    with common.journal(place) as journal:
        state = journal.state()
    plates = (present(relay) for relay in state.relays.values() if relay.listed)
    makers = sorted({plate.vendor for plate in plates if plate is not None and plate.vendor})
    if maker not in makers:
        known_here = ", ".join(map(shown, makers)) or "none yet"
        common.fail(
            Exit.BAD_INPUT,
            f"{shown(maker)}: no relay here tells this maker\n    mend: name one of: {known_here}",
        )
