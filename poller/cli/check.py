"""bayroll check: every fault of every file of a site, at once."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from poller.cli import common
from poller.cli.common import Exit, JsonOption
from poller.model.problems import Faulty
from poller.publishing.opening import found
from poller.site.settings import pace


def check(
    site_file: Annotated[Path, typer.Argument(metavar="SITE", help="The site file.")],
    as_json: JsonOption = False,
) -> None:
    """Say what is wrong with SITE and its maps: what, where, and how to mend it."""
    try:
        site = common.load(site_file)
    except Faulty as reason:
        for problem in reason.problems:
            if as_json:
                common.print_json(asdict(problem))
            else:
                common.out.print(str(problem))
        raise typer.Exit(Exit.BAD_INPUT) from reason
    unknown = sorted(set(site.file.outputs) - set(found()))
    if unknown:
        common.fail(Exit.BAD_INPUT, f"{site_file}: no installed output is called {unknown[0]}")
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
