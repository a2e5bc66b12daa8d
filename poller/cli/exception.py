"""bayroll exception: what is due of a relay may wait, until a day and for a reason."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated

import typer

from poller.answers.words import count, moment, position
from poller.cli import common
from poller.cli.ask import ask
from poller.cli.common import JsonOption, SiteOption, WhoOption, WhyOption
from poller.model.canonical import plain
from poller.model.text import shown
from poller.model.work import by_number

exception = typer.Typer(
    no_args_is_help=True, help="What is due of a relay may wait, until a day and for a reason."
)


@exception.command()
def add(
    relay: Annotated[str, typer.Argument(metavar="RELAY", help="Its id.")],
    until: Annotated[str, typer.Option("--until", metavar="DAY", help="The last day: 2026-03-01.")],
    why: WhyOption = "",
    who: WhoOption = "",
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Let the updates of a relay wait; the due list tells again before it expires."""
    with common.told():
        args = {"who": who, "relay": relay, "until": until, "why": why}
        answer = ask(common.where(site), "exception_give", args)
    if as_json:
        common.print_json(answer)
    else:
        (name,) = answer["entered"]
        common.out.print(f"{name}: what is due of {relay} may wait until {until}")


@exception.command("list")
def list_(
    everything: Annotated[bool, typer.Option("--all", help="Those that are over too.")] = False,
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Those that stand, by the day on which they expire."""
    with common.told(), common.journal(common.where(site)) as journal:
        state = journal.state()
    today = datetime.now(UTC).date().isoformat()
    found = [
        one
        for one in state.exceptions.values()
        if everything or (one.ended_at is None and one.until >= today)
    ]
    found.sort(key=lambda one: (one.until, by_number(one.id)))
    if as_json:
        for one in found:
            common.print_json(plain(one))
        return
    drawn = common.table(("id", "position", "until", "why", "given"))
    for one in found:
        over = "" if one.ended_at is None else f" (ended {one.ended_at:%Y-%m-%d})"
        given = f"{moment(one.at)} by {shown(one.by or 'nobody named')}"
        told = (one.id, position(one.relay, state), f"{one.until}{over}", shown(one.why))
        drawn.add_row(*told, given)
    common.out.print(drawn)
    common.out.print(count(len(found), "exception", "exceptions"))


@exception.command()
def end(
    name: Annotated[str, typer.Argument(metavar="ID", help="See: bayroll exception list.")],
    why: WhyOption = "",
    who: WhoOption = "",
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """It is not needed any more."""
    with common.told():
        args = {"who": who, "exception": name, "why": why}
        answer = ask(common.where(site), "exception_end", args)
    if as_json:
        common.print_json(answer)
    else:
        common.out.print(f"{name}: ended")
