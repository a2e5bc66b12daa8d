"""bayroll try-map: each field of a map against a device, and as other readings would have it.

So that an engineer who types a map from a point list sees at once what is off: the byte order, the
word order, or an address that is one too high.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any, Final

import typer
from rich.table import Table

from poller.answers.registers import named, plain_value, told, where
from poller.cli import asking, common
from poller.cli.asking import Ask, TimeoutOption, UnitOption
from poller.cli.common import Exit, JsonOption
from poller.reading.decode import Image, NotAValue, raw_hex
from poller.reading.exchange import Reply, bits, registers
from poller.reading.frames import read
from poller.reading.read_plan import Pass, Span, compile_map, span_of
from poller.reading.run import PassRead, describe, is_away
from poller.site.check_map import fields
from poller.site.register_map import (
    BIT_TABLES,
    IdentificationObject,
    Place,
    Range,
    RegisterMap,
    VersionParts,
)
from poller.site.register_map import Table as Registers

OTHER: Final = {"high_first": "low_first", "low_first": "high_first"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Tried:
    """One field. others: what it would be with another byte or word order, or one address off."""

    field: str
    where: str
    raw: str
    value: str
    others: dict[str, str]
    read: bool


def try_map(
    map_file: Annotated[str, typer.Argument(metavar="MAP", help="A map file.")],
    host: Annotated[str, typer.Argument(metavar="HOST[:PORT]")],
    unit: Annotated[int, UnitOption] = 255,
    timeout_s: Annotated[float, TimeoutOption] = 3.0,
    as_json: JsonOption = False,
) -> None:
    """Hold MAP against a device: each field raw, as the map has it, and as it might be meant."""
    one = asking.map_named(map_file)
    address, port = asking.host_and_port(host)
    tried: list[Tried] = []

    async def work(ask: Ask) -> None:
        tried.extend(await _try(ask, one, f"{address}:{port}"))

    with common.told():
        asking.with_device(address, port, unit, timeout_s, work)
    if as_json:
        for line in tried:
            common.print_json(
                {"field": line.field, "where": line.where, "raw": line.raw}
                | {"value": line.value, "others": line.others, "read": line.read}
            )
    else:
        _print(tried)
    raise typer.Exit(Exit.DONE if all(line.read for line in tried) else Exit.FOUND)


async def _try(ask: Ask, one: RegisterMap, place: str) -> list[Tried]:
    compiled = compile_map(one)
    objects: dict[int, bytes] = {}
    why_no_objects = "the device has no such object"
    passes = (compiled.identity, compiled.nameplate)
    wanted = frozenset(n for part in passes if part.identification for n in part.identification[1])
    if wanted and one.identification is not None:
        only = Pass(requests=(), spans=(), identification=(one.identification, wanted))
        found: PassRead = await asking.read_pass(ask, only)
        asking.give_up_if_away(found, place)
        objects = found.objects
        if found.trouble is not None:
            why_no_objects = describe(found.trouble)
    tried, answered = [], bool(objects)
    for path, field in fields(one):
        name = named(path)
        if isinstance(field, IdentificationObject):
            tried.append(_object(one, name, field, objects, why_no_objects))
            continue
        line, heard = await _register(ask, one, name, field)
        answered = answered or heard
        tried.append(line)
        if not answered:
            common.fail(Exit.UNREACHABLE, f"{place}: {line.value}")
    return tried


def _object(
    one: RegisterMap, name: str, field: IdentificationObject, objects: dict[int, bytes], why: str
) -> Tried:
    seen = Image(words={}, objects=objects)
    value, there = told(one, field, seen)
    return Tried(
        field=name,
        where=where(one, field),
        raw=raw_hex(one, field, seen),
        value=value if field.object in objects else f"({why})",
        others={},
        read=there,
    )


async def _register(ask: Ask, one: RegisterMap, name: str, field: Place) -> tuple[Tried, bool]:
    span = span_of(one, name, field)
    low, high = _room(one, span)
    outcome = await ask(read(span.table, low, high - low))
    if not isinstance(outcome, Reply) and (low, high) != (span.address, span.end):
        low, high = span.address, span.end  # the neighbours are not there: the field alone
        outcome = await ask(read(span.table, low, high - low))
    if not isinstance(outcome, Reply):
        why = f"({describe(outcome)})"
        gone = Tried(field=name, where=where(one, field), raw="", value=why, others={}, read=False)
        return gone, not is_away(outcome)
    values: Any = (
        bits(outcome.pdu, high - low) if span.table in BIT_TABLES else registers(outcome.pdu)
    )
    seen = Image(
        words={(span.table, low + at): int(value) for at, value in enumerate(values)}, objects={}
    )
    value, there = told(one, field, seen)
    others = {
        how: other
        for how, changed in _otherwise(one, field).items()
        if (other := _value(one, changed, seen)) not in (None, value)
    }
    line = Tried(
        field=name,
        where=where(one, field),
        raw=raw_hex(one, field, seen),
        value=value,
        others=others,
        read=there,
    )
    return line, True


def _room(one: RegisterMap, span: Span) -> tuple[int, int]:
    """Where may be read around a field: one address more on each side, if that is allowed."""
    low = span.address - 1 if _allowed(one, span.table, span.address - 1) else span.address
    high = span.end + 1 if _allowed(one, span.table, span.end) else span.end
    most = one.largest_read.bits if span.table in BIT_TABLES else one.largest_read.registers
    if high - low > most:
        return span.address, span.end
    if not any(_holds(readable, one, span.table, low, high) for readable in one.ranges):
        return span.address, span.end
    return low, high


def _allowed(one: RegisterMap, table: Registers, address: int) -> bool:
    """In a readable range that may be read over, or inside another field."""
    if any(
        readable.over_gaps and _holds(readable, one, table, address, address + 1)
        for readable in one.ranges
    ):
        return True
    return any(
        isinstance(field, Place)
        and field.table == table
        and (other := span_of(one, "", field)).address <= address < other.end
        for _, field in fields(one)
    )


def _holds(readable: Range, one: RegisterMap, table: Registers, low: int, high: int) -> bool:
    return (
        readable.table == table
        and readable.first - one.base <= low
        and high - 1 <= readable.last - one.base
    )


def _otherwise(one: RegisterMap, field: Place) -> dict[str, Place]:
    """The field as it might have been meant."""
    ways: dict[str, Place] = {}
    for order, says in (("byte_order", "other byte order"), ("word_order", "other word order")):
        if order in type(field).model_fields:
            present = getattr(field, order) or getattr(one, order)
            ways[says] = field.model_copy(update={order: OTHER[present]})
    for by, says in ((-1, "one address lower"), (1, "one address higher")):
        moved: dict[str, Any] = {"address": field.address + by}
        if isinstance(field, VersionParts):
            moved["parts"] = tuple(
                part.model_copy(update={"address": part.address + by}) for part in field.parts
            )
        ways[says] = field.model_copy(update=moved)
    return ways


def _value(one: RegisterMap, field: Any, seen: Image) -> str | None:
    """None: no value."""
    try:
        return plain_value(one, field, seen)
    except NotAValue:
        return None


def _print(tried: list[Tried]) -> None:
    table = Table("field", "where", "raw", "value", "or else", box=None, pad_edge=False)
    for line in tried:
        others = "; ".join(f"{how}: {value}" for how, value in line.others.items())
        table.add_row(line.field, line.where, line.raw, line.value, others)
    common.out.print(table)
