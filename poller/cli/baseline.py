"""bayroll baseline accept, show, diff: the nameplates that people accepted, and what differs."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated, Final

import typer

from poller.answers.baselines import acceptable, baseline_rows, difference_rows, left_open
from poller.answers.words import count, span
from poller.cli import common
from poller.cli.ask import ask
from poller.cli.common import Exit, JsonOption, ReferenceOption, SiteOption, WhoOption, WhyOption
from poller.model.attribute_words import attribute
from poller.model.canonical import plain

baseline = typer.Typer(no_args_is_help=True, help="The accepted nameplate of each relay.")
Relays = Annotated[
    list[str] | None, typer.Argument(metavar="[RELAY]...", help="Relays' ids; all without any.")
]


STAYS_TOLD: Final = 20


@baseline.command("accept")
def accept(
    relays: Annotated[list[str] | None, typer.Argument(metavar="[RELAY]...")] = None,
    all_new: Annotated[
        bool, typer.Option("--all-new", help="Every relay that was read and never accepted.")
    ] = False,
    bay: Annotated[
        str | None, typer.Option("--bay", help="Every relay of this bay that is not as accepted.")
    ] = None,
    family: Annotated[
        str | None,
        typer.Option(
            "--family",
            help="The same of a family, as the approved list calls it, or of a model. Together "
            "with --bay or --all-new: those for which all of it holds.",
        ),
    ] = None,
    who: WhoOption = "",
    why: WhyOption = "",
    reference: ReferenceOption = None,
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Record the present nameplate as the baseline, with who, why and a reference."""
    with common.told():
        place = common.where(site)
        chosen = list(relays or [])
        if all_new or bay is not None or family is not None:
            with common.journal(place) as journal:
                state = journal.state()
            common.bay_known(state, bay)
            listed = None if family is None else common.site_if_sound(place)
            chosen += acceptable(state, listed, bay=bay, family=family, new_only=all_new)
            chosen = list(dict.fromkeys(chosen))
            if not chosen:
                kind = "new" if all_new else "other than it was accepted"
                common.fail(Exit.FOUND, f"no relay of these is {kind} and has been read")
        args = {"who": who, "relays": chosen, "why": why, "reference": reference}
        answer = ask(place, "baseline_accept", args)
        with common.journal(place) as journal:
            stays = left_open(journal.state(), chosen, datetime.now(UTC))
    if as_json:
        common.print_json(answer | {"relays": chosen})
    else:
        common.out.print(f"baseline accepted for {len(chosen)}: {', '.join(chosen)}")
        for one in stays[:STAYS_TOLD]:
            common.out.print(f"  {one}")
        if len(stays) > STAYS_TOLD:
            common.out.print(f"  and {len(stays) - STAYS_TOLD} more; see: bayroll due")


@baseline.command()
def show(relays: Relays = None, site: SiteOption = None, as_json: JsonOption = False) -> None:
    """Who accepted each relay's nameplate, when and why; of one relay, what was accepted."""
    with common.told():
        with common.journal(common.where(site)) as journal:
            state = journal.state()
        common.relays_known(state, relays or ())
    found = baseline_rows(state, datetime.now(UTC), relays or ())
    if as_json:
        for row in found:
            common.print_json(plain(row))
        return
    names = ("bay", "function", "baseline", "accepted", "by", "why", "reference")
    drawn = common.table(names)
    for row in found:
        age = "-" if row.age_s is None else f"{span(row.age_s)} ago"
        told = (row.by or "-", row.why or "-", row.reference or "-")
        drawn.add_row(row.bay, row.function, row.word, age, *told)
    common.out.print(drawn)
    if relays is not None and len(found) == 1 and found[0].accepted is not None:
        for name, text in found[0].accepted.items():
            common.out.print(f"  {attribute(name)} {text}")


@baseline.command()
def diff(relays: Relays = None, site: SiteOption = None, as_json: JsonOption = False) -> None:
    """Every attribute that is not as it was accepted; ends with 1 where there is one."""
    with common.told():
        with common.journal(common.where(site)) as journal:
            state = journal.state()
        common.relays_known(state, relays or ())
    found = difference_rows(state, datetime.now(UTC), relays or ())
    if as_json:
        for row in found:
            common.print_json(plain(row))
    else:
        drawn = common.table(("bay", "function", "", "accepted", "now"))
        for row in found:
            told = (row.accepted or "-", row.present or "-")
            drawn.add_row(row.bay, row.function, row.says, *told)
        if found:
            common.out.print(drawn)
        common.out.print(count(len(found), "difference", "differences"))
    raise typer.Exit(Exit.FOUND if found else Exit.DONE)
