"""bayroll status: the running service in a few lines."""

from __future__ import annotations

from typing import Any

import typer
from rich.table import Table

from poller.answers.alarms import Counts, counted
from poller.answers.words import count
from poller.cli import common, no_service
from poller.cli.common import Exit, JsonOption, SiteOption, Where
from poller.edges import control
from poller.journal import JournalUnusable
from poller.model.canonical import plain


def status(site: SiteOption = None, as_json: JsonOption = False) -> None:
    """Tell what the service does, what waits, and which outputs are behind."""
    with common.told():
        place = common.where(site)
        said = _said(place)
        alarms = _alarms(place)
    journal = said["journal"]
    faults = said.get("reload_faults", 0)  # a service from before an upgrade does not say
    well = journal["failing"] is None and not faults
    well = well and all(output["connected"] is not False for output in said["outputs"])
    if as_json:
        common.print_json(said | {"alarms": None if alarms is None else plain(alarms)})
    else:
        relays = count(said["relays"], "relay", "relays")
        common.out.print(f"{said['site']}: {relays}, Bayroll {said['version']}")
        if faults:
            common.out.print(
                f"site file: {count(faults, 'fault', 'faults')} when it was to be read again; what "
                f"was read before is in force\n{said['reload_first']}"
            )
        common.out.print(
            f"journal: {count(journal['seq'], 'event', 'events')}, {journal['waiting']} waiting, "
            f"judging {journal['judging']}"
            + (f"; not written: {journal['failing']}" if journal["failing"] else "")
        )
        stand = alarms.says() if alarms else "the journal can't be read"
        common.out.print(f"alarms: {stand}")
        table = Table("output", "connected", "behind", "says", box=None)
        for line in said["outputs"]:
            connected = {True: "yes", False: "no", None: "-"}[line["connected"]]
            table.add_row(line["output"], connected, str(line["lag"]), line["says"])
        common.out.print(table)
    raise typer.Exit(Exit.DONE if well else Exit.FOUND)


def _said(place: Where) -> dict[str, Any]:
    try:
        told: dict[str, Any] = control.request(place.socket, "status", "status", {})
    except control.Unreachable as reason:
        says, mend = no_service.why(place.journal)
        common.fail(Exit.UNREACHABLE, f"{says}: {reason}\n    mend: {mend}")
    return told


def _alarms(place: Where) -> Counts | None:
    """None: the journal can't be read; what the service says is told all the same."""
    try:
        with common.journal(place) as journal:
            return counted(journal.state())
    except JournalUnusable:
        return None
