"""bayroll status: the running service in a few lines."""

from __future__ import annotations

import typer
from rich.table import Table

from poller.cli import common
from poller.cli.common import Exit, JsonOption, SiteOption
from poller.edges import control


def status(site: SiteOption = None, as_json: JsonOption = False) -> None:
    """Tell what the service does, what waits, and which outputs are behind."""
    with common.told():
        place = common.where(site)
        said = control.request(place.socket, "status", "status", {})
    journal = said["journal"]
    well = journal["failing"] is None and all(o["connected"] is not False for o in said["outputs"])
    if as_json:
        common.print_json(said)
    else:
        common.out.print(f"{said['site']}: {said['relays']} relays, Bayroll {said['version']}")
        common.out.print(
            f"journal: {journal['seq']} events, {journal['waiting']} waiting, "
            f"judging {journal['judging']}"
            + (f"; not written: {journal['failing']}" if journal["failing"] else "")
        )
        table = Table("output", "connected", "behind", "says", box=None)
        for line in said["outputs"]:
            connected = {True: "yes", False: "no", None: "-"}[line["connected"]]
            table.add_row(line["output"], connected, str(line["lag"]), line["says"])
        common.out.print(table)
    raise typer.Exit(Exit.DONE if well else Exit.FOUND)
