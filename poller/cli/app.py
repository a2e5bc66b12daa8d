"""Every command in one place."""

from __future__ import annotations

from importlib.metadata import version
from typing import Annotated

import typer

from poller.cli import (
    advisories,
    alarms,
    approved,
    baseline,
    bulletin,
    check,
    demo,
    due,
    evidence,
    exception,
    inventory,
    investigation,
    journal,
    load,
    package,
    people,
    plan,
    points,
    read,
    relays,
    run,
    schema,
    selftest,
    site,
    spare,
    status,
    try_map,
    user,
    work,
)

app = typer.Typer(
    name="bayroll",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help="Keeps the roll of every protective relay's firmware in a substation; only ever reads.\n\n"
    "Exit codes: 0 done, 1 found something wrong, 2 bad input, 3 could not reach or lock.",
)


def _version(asked: bool) -> None:
    if asked:
        typer.echo(f"bayroll {version('bayroll')}")
        raise typer.Exit


@app.callback()
def _any(
    told: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Which this is.")
    ] = False,
) -> None:
    """What stands before a command."""


app.command()(demo.demo)
app.command()(run.run)
app.command()(check.check)
app.command()(load.load)
app.command("list")(relays.list_)
app.command()(relays.show)
app.command()(relays.history)
app.command()(approved.approved)
app.command()(points.points)
app.add_typer(baseline.baseline, name="baseline")
app.add_typer(work.work, name="work")
app.add_typer(investigation.investigation, name="investigation")
app.add_typer(alarms.alarms, name="alarms")
app.add_typer(advisories.advisories, name="advisories")
app.add_typer(bulletin.bulletin, name="bulletin")
app.add_typer(exception.exception, name="exception")
app.add_typer(due.due_, name="due")
app.command()(plan.plan)
app.add_typer(package.package, name="package")
app.add_typer(evidence.evidence, name="evidence")
app.add_typer(spare.spare, name="spare")
app.command()(inventory.inventory)
app.command()(people.record)
app.command()(people.pause)
app.command()(people.resume)
app.command()(status.status)
app.command()(selftest.selftest)
app.add_typer(user.user, name="user")
app.add_typer(journal.journal, name="journal")
app.command()(read.read)
app.command("try-map")(try_map.try_map)
app.command()(schema.schema)
app.add_typer(site.site, name="site")


def main() -> None:
    """The entry point of the console command."""
    app()


if __name__ == "__main__":
    main()
