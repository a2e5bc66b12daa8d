"""bayroll check: every fault of every file of a site, at once."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from poller.cli import common
from poller.cli.common import Exit, JsonOption
from poller.cli.page import page_problems
from poller.cli.run import look_up
from poller.edges.clock import SystemClock
from poller.journal.memory import MemoryCommitter
from poller.model.problems import Faulty, Problem
from poller.publishing.opening import open_outputs
from poller.publishing.ports import Context
from poller.site.settings import Site, pace


def check(
    site_file: Annotated[Path, typer.Argument(metavar="SITE", help="The site file.")],
    as_json: JsonOption = False,
) -> None:
    """Say what is wrong with SITE and its maps: what, where, and how to mend it."""
    problems: list[Problem] = []
    site = None
    try:
        site = common.load(site_file)
    except Faulty as reason:
        problems = list(reason.problems)
    if site is not None:
        problems = output_problems(site, site_file)
        problems += page_problems(site, site_file, common.journal_of(site_file, site))
    for problem in problems:
        if as_json:
            common.print_json(asdict(problem))
        else:
            common.out.print(str(problem))
    if site is None or problems:
        raise typer.Exit(Exit.BAD_INPUT)
    busiest = max(60 / pace(site.file.intervals, entry).status_s for entry in site.file.relays)
    said = {
        "site": site.file.site,
        "relays": len(site.file.relays),
        "maps": sorted(site.maps),
        "visits_per_minute_at_most": round(busiest, 2),
    }
    if as_json:
        common.print_json(said)
    else:
        common.out.print(
            f"{site_file}: no faults; {said['relays']} relays, "
            f"maps {', '.join(sorted(site.maps))}; "
            f"a relay is visited {said['visits_per_minute_at_most']} times a minute at most"
        )


def output_problems(site: Site, site_file: Path) -> list[Problem]:
    """What is wrong with the outputs that a site names. Opening one connects to nothing."""
    nothing = MemoryCommitter()

    def context_for(name: str) -> Context:
        return Context(
            name=name,
            site=site,
            settings=site.file.outputs[name],
            reader=nothing,
            committer=nothing,
            live=dict,
            now=SystemClock().utc,
            secrets=lambda secret: look_up(secret, site_file.parent),
            extra={"folder": site_file.parent},
        )

    return open_outputs(site, context_for, file=str(site_file))[1]
