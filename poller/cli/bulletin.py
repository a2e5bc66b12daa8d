"""bayroll bulletin: service bulletins of makers, entered by hand."""

from __future__ import annotations

from typing import Annotated

import typer

from poller.answers.due_words import SEVERITY
from poller.answers.words import count, moment
from poller.cli import common
from poller.cli.ask import ask
from poller.cli.common import JsonOption, ReferenceOption, SiteOption, WhoOption, WhyOption
from poller.model.canonical import plain
from poller.model.due import Bulletin, Severity
from poller.model.text import shown
from poller.model.work import by_number

bulletin = typer.Typer(
    no_args_is_help=True,
    help="Service bulletins, entered by hand; what they concern: bayroll advisories.",
)


@bulletin.command()
def add(
    title: Annotated[str, typer.Argument(metavar="TITLE", help="What can happen, in a sentence.")],
    severity: Annotated[
        Severity,
        typer.Option(
            "--severity", help="; ".join(f"{name}: {says}" for name, says in SEVERITY.items())
        ),
    ],
    family: Annotated[
        str | None, typer.Option("--family", help="A family of the file of advisories' families.")
    ] = None,
    versions: Annotated[
        str | None,
        typer.Option(
            "--versions", metavar="RANGE", help="vers:generic/>=5.0|<5.2; without: all versions."
        ),
    ] = None,
    relay: Annotated[
        list[str] | None,
        typer.Option("--relay", help="In place of a family, this one; may be repeated."),
    ] = None,
    fixed_in: Annotated[
        str | None, typer.Option("--fixed-in", metavar="VERSION", help="The first without it.")
    ] = None,
    reference: ReferenceOption = None,
    who: WhoOption = "",
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Enter a bulletin. One of misoperation stands before every advisory, whatever its score."""
    args = {
        "who": who,
        "title": title,
        "severity": severity.value,
        "family": family,
        "versions": versions,
        "relays": relay or [],
        "fixed_in": fixed_in,
        "reference": reference,
    }
    with common.told():
        answer = ask(common.where(site), "bulletin_add", args)
    if as_json:
        common.print_json(answer)
    else:
        (name,) = answer["entered"]
        common.out.print(f"{name}: entered; what it concerns: bayroll advisories")


@bulletin.command("list")
def list_(
    everything: Annotated[bool, typer.Option("--all", help="Closed ones too.")] = False,
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Those that are open, the gravest first."""
    with common.told(), common.journal(common.where(site)) as journal:
        state = journal.state()
    grave = list(Severity)
    found = [one for one in state.bulletins.values() if everything or one.closed_at is None]
    found.sort(key=lambda one: (grave.index(one.severity), by_number(one.id)))
    if as_json:
        for one in found:
            common.print_json(plain(one))
        return
    drawn = common.table(("id", "severity", "what, and of which relays", "entered"))
    for one in found:
        entered = f"{moment(one.at)} by {shown(one.by or 'nobody named')}"
        closed = "" if one.closed_at is None else f"; closed: {shown(one.why or '')}"
        fixed = "" if one.fixed_in is None else f"; fixed in {shown(one.fixed_in)}"
        what = f"{shown(one.title)}\n{_about(one)}{fixed}"
        drawn.add_row(one.id, SEVERITY[one.severity], what, f"{entered}{closed}")
    common.out.print(drawn)
    common.out.print(count(len(found), "bulletin", "bulletins"))


def _about(one: Bulletin) -> str:
    if one.family is None:
        return ", ".join(one.relays)
    return one.family if one.versions is None else f"{one.family}, {shown(one.versions)}"


@bulletin.command()
def close(
    name: Annotated[str, typer.Argument(metavar="ID", help="See: bayroll bulletin list.")],
    why: WhyOption = "",
    who: WhoOption = "",
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """It concerns nothing here any more."""
    with common.told():
        args = {"who": who, "bulletin": name, "why": why}
        answer = ask(common.where(site), "bulletin_close", args)
    if as_json:
        common.print_json(answer)
    else:
        common.out.print(f"{name}: closed")
