"""bayroll investigation: changes that nobody planned, until a person says what they were."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated

import typer

from poller.answers.investigations import InvestigationRow, row, rows
from poller.answers.words import moment, span
from poller.answers.work_words import CHANGE, DISPOSITION
from poller.cli import common
from poller.cli.ask import ask
from poller.cli.common import Exit, JsonOption, SiteOption, WhoOption, WhyOption
from poller.model.canonical import plain
from poller.model.work import Disposition

investigation = typer.Typer(
    no_args_is_help=True, help="Changes that nobody planned, and what they turned out to be."
)
Named = Annotated[str, typer.Argument(metavar="ID", help="See: bayroll investigation list.")]


@investigation.command("list")
def list_(
    relay: Annotated[
        str | None, typer.Argument(metavar="[RELAY]", help="Only about this relay.")
    ] = None,
    everything: Annotated[bool, typer.Option("--all", help="Closed ones too.")] = False,
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Those that are open, the oldest first; ends with 1 where there is one."""
    with common.told():
        with common.journal(common.where(site)) as journal:
            state = journal.state()
        common.relays_known(state, [] if relay is None else [relay])
    found = rows(state, datetime.now(UTC), relay=relay, closed=everything)
    if as_json:
        for one in found:
            common.print_json(plain(one))
    else:
        drawn = common.table(("id", "position", "change", "open for", "became"))
        for one in found:
            became = one.disposition_says or (f"linked to {one.work}" if one.work else "-")
            drawn.add_row(one.id, one.position, CHANGE[one.change], span(one.age_s), became)
        common.out.print(drawn)
        common.out.print(f"{sum(one.open for one in found)} open")
    raise typer.Exit(Exit.FOUND if any(one.open for one in found) else Exit.DONE)


@investigation.command()
def show(name: Named, site: SiteOption = None, as_json: JsonOption = False) -> None:
    """What changed, when, and what became of it."""
    with common.told():
        with common.journal(common.where(site)) as journal:
            state = journal.state()
        if name not in state.investigations:
            common.fail(
                Exit.BAD_INPUT,
                f"{name}: no such investigation\n    mend: see: bayroll investigation list --all",
            )
    told = row(state.investigations[name], state, datetime.now(UTC))
    if as_json:
        common.print_json(plain(told))
    else:
        _print(told)


def _print(told: InvestigationRow) -> None:
    out = common.out
    out.print(f"{told.id}  {told.position} ({told.relay}): {told.says}")
    if told.open:
        out.print(f"opened on {moment(told.opened_at)}, open for {span(told.age_s)}")
    else:
        out.print(f"opened on {moment(told.opened_at)}, was open for {span(told.age_s)}")
        out.print(f"closed as {told.disposition_says} by {told.by or 'nobody named'}: {told.why}")
    if told.work is not None:
        out.print(f"work {told.work} was entered afterwards; the change stays unplanned")
    if told.open:
        out.print(f"next: bayroll investigation dispose {told.id} --as ... --why ...")


@investigation.command()
def dispose(
    name: Named,
    disposition: Annotated[
        Disposition,
        typer.Option("--as", help="; ".join(f"{one}: {says}" for one, says in DISPOSITION.items())),
    ],
    why: WhyOption = "",
    who: WhoOption = "",
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say what the change was; that closes the investigation for good."""
    args = {"who": who, "investigation": name, "disposition": disposition.value, "why": why}
    with common.told():
        answer = ask(common.where(site), "disposition_give", args)
    if as_json:
        common.print_json(answer)
    else:
        common.out.print(f"{name}: closed: {DISPOSITION[disposition]}")


@investigation.command()
def link(
    name: Named,
    work: Annotated[str, typer.Argument(metavar="WORK", help="Of work entered afterwards.")],
    who: WhoOption = "",
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Link it to work that was entered after the change; the change stays unplanned."""
    with common.told():
        args = {"who": who, "investigation": name, "work": work}
        answer = ask(common.where(site), "investigation_link", args)
    if as_json:
        common.print_json(answer)
    else:
        common.out.print(f"{name}: linked to {work}; it stays open until: investigation dispose")
