"""bayroll read: one device, once, with no site file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Final

import typer
from rich.table import Table

from poller.answers.one import VALUES
from poller.cli import asking, common
from poller.cli.asking import Ask, TimeoutOption, UnitOption
from poller.cli.common import Exit, JsonOption
from poller.model.attribute_words import attribute
from poller.model.canonical import plain
from poller.model.nameplate import Nameplate, flat
from poller.model.status import Status
from poller.model.text import shown
from poller.reading.decode import Image, decode_nameplate, decode_status, image
from poller.reading.exchange import Refused
from poller.reading.read_plan import compile_map
from poller.reading.run import ILLEGAL_FUNCTION, PassRead, describe
from poller.site.builtin import ANY
from poller.site.fields import fields
from poller.site.register_map import IdentificationObject, RegisterMap

IDENTIFICATION: Final = "Modbus identification (function 43/14)"


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """What one device told. absent: attributes where nothing stands. mend: of a refusal."""

    map: str
    nameplate: Nameplate
    absent: tuple[str, ...]
    status: Status
    faults: tuple[str, ...]
    mend: str | None


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
    found: list[Found] = []

    async def work(ask: Ask) -> None:
        found.append(await _read(ask, one, f"{address}:{port}"))

    with common.told():
        asking.with_device(address, port, unit, timeout_s, work)
    if as_json:
        common.print_json(_plain(found[0]))
    else:
        _print(found[0])
    raise typer.Exit(Exit.FOUND if found[0].faults else Exit.DONE)


async def _read(ask: Ask, one: RegisterMap, place: str) -> Found:
    compiled = compile_map(one)
    identity = await asking.read_pass(ask, compiled.identity)
    asking.give_up_if_away(identity, place)
    rest = await asking.read_pass(ask, compiled.nameplate)
    status = await asking.read_pass(ask, compiled.status)
    seen = image(identity.pass_, identity.replies, identity.objects)
    seen = seen.joined(image(rest.pass_, rest.replies, rest.objects))
    nameplate = decode_nameplate(compiled, seen)
    decoded = decode_status(compiled, image(status.pass_, status.replies, status.objects))
    reads = {"identity": identity, "nameplate": rest, "status": status}
    whole = identity.complete and rest.complete
    unknown = frozenset() if whole else _not_told(one, seen)
    unlike = (*nameplate.implausible, *decoded.implausible)
    return Found(
        map=one.map,
        nameplate=nameplate.nameplate,
        absent=tuple(name for name in nameplate.absent if name not in unknown),
        status=decoded.status,
        faults=(*_troubles(reads), *map(str, unlike)),
        mend=_mend(one) if any(map(_knows_no_identification, reads.values())) else None,
    )


def _troubles(reads: Mapping[str, PassRead]) -> tuple[str, ...]:
    """Each trouble once, with what it befell."""
    befell: dict[str, list[str]] = {}
    for part, read in reads.items():
        if _knows_no_identification(read):
            befell.setdefault("the device does not know it", [IDENTIFICATION])
        elif read.trouble is not None:
            befell.setdefault(describe(read.trouble), []).append(part)
    return tuple(f"{' and '.join(parts)}: {trouble}" for trouble, parts in befell.items())


def _knows_no_identification(read: PassRead) -> bool:
    """As most relays answer that were never asked so before."""
    asked = read.pass_.identification is not None and not read.objects
    return asked and read.trouble == Refused(code=ILLEGAL_FUNCTION)


def _mend(one: RegisterMap) -> str:
    if one is ANY:
        return "write a map of its registers (copy one of config/maps/); give it with --map FILE"
    return "name registers in the map, in place of identification objects"


def _not_told(one: RegisterMap, seen: Image) -> frozenset[str]:
    """Attributes in identification objects that did not come: nobody knows what stands there."""
    return frozenset(
        ".".join(map(str, path if path[0] == "components" else path[1:]))
        for path, field in fields(one)
        if isinstance(field, IdentificationObject) and field.object not in seen.objects
    )


def _plain(found: Found) -> dict[str, Any]:
    return {
        "map": found.map,
        "nameplate": flat(found.nameplate),
        "absent": list(found.absent),
        "status": plain(found.status),
        "faults": list(found.faults),
        "mend": found.mend,
    }


def _print(found: Found) -> None:
    table = Table(box=None, show_header=False, pad_edge=False)
    for name, text in flat(found.nameplate).items():
        table.add_row(attribute(name), shown(text))
    for name in found.absent:
        table.add_row(attribute(name), "nothing stands there")
    for flag, stands in found.status.flags:
        table.add_row(f"flag {shown(flag)}", "up" if stands else "down")
    for name, value in VALUES.items():
        told = value(found.status)
        if told is not None:
            table.add_row(name, told[1])
    if table.row_count:
        common.out.print(table)
    for fault in found.faults:
        common.out.print(f"not read: {shown(fault)}")
    if found.mend is not None:
        common.out.print(f"    mend: {found.mend}")
