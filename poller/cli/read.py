"""bayroll read: one device, once, with no site file."""

from __future__ import annotations

from typing import Annotated, Any

import typer
from rich.table import Table

from poller.cli import asking, common
from poller.cli.asking import Ask, TimeoutOption, UnitOption
from poller.cli.common import Exit, JsonOption
from poller.model.attribute_words import attribute
from poller.model.canonical import plain
from poller.model.nameplate import flat
from poller.model.text import shown
from poller.reading.decode import decode_nameplate, decode_status, image
from poller.reading.read_plan import compile_map
from poller.reading.run import describe
from poller.site.register_map import RegisterMap


def read(
    host: Annotated[str, typer.Argument(metavar="HOST[:PORT]")],
    unit: Annotated[int, UnitOption] = 255,
    map_file: Annotated[
        str, typer.Option("--map", help="A map file; without it, the built-in map any.")
    ] = "any",
    timeout_s: Annotated[float, TimeoutOption] = 3.0,
    as_json: JsonOption = False,
) -> None:
    """Read one device once: its nameplate and its status under a map. It is only ever read."""
    one = asking.map_named(map_file)
    address, port = asking.host_and_port(host)
    found: dict[str, Any] = {}

    async def work(ask: Ask) -> None:
        found.update(await _read(ask, one, f"{address}:{port}"))

    with common.told():
        asking.with_device(address, port, unit, timeout_s, work)
    if as_json:
        common.print_json(found)
    else:
        _print(found)
    raise typer.Exit(Exit.FOUND if found["faults"] else Exit.DONE)


async def _read(ask: Ask, one: RegisterMap, place: str) -> dict[str, Any]:
    compiled = compile_map(one)
    identity = await asking.read_pass(ask, compiled.identity)
    asking.give_up_if_away(identity, place)
    rest = await asking.read_pass(ask, compiled.nameplate)
    status = await asking.read_pass(ask, compiled.status)
    seen = image(identity.pass_, identity.replies, identity.objects)
    seen = seen.joined(image(rest.pass_, rest.replies, rest.objects))
    nameplate = decode_nameplate(compiled, seen)
    decoded = decode_status(compiled, image(status.pass_, status.replies, status.objects))
    troubles = [read.trouble for read in (identity, rest, status) if read.trouble is not None]
    faults = [describe(trouble) for trouble in troubles]
    faults += [str(one) for one in (*nameplate.implausible, *decoded.implausible)]
    return {
        "map": one.map,
        "nameplate": flat(nameplate.nameplate),
        "absent": list(nameplate.absent),
        "status": plain(decoded.status),
        "faults": faults,
    }


def _print(found: dict[str, Any]) -> None:
    table = Table(box=None, show_header=False, pad_edge=False)
    for name, value in found["nameplate"].items():
        table.add_row(attribute(name), shown(value))
    for name in found["absent"]:
        table.add_row(attribute(name), "nothing stands there")
    status = found["status"]
    for name, value in status.items():
        if name == "flags":
            for flag, stands in value:
                table.add_row(f"flag {flag}", "up" if stands else "down")
        elif value is not None:
            table.add_row(name, str(value))
    common.out.print(table)
    for fault in found["faults"]:
        common.out.print(f"not read: {shown(fault)}")
