"""Registers as they came, each beside what its map makes of it and the line that says so."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import Any, Final

from poller.answers.words import age_s
from poller.judging.last_read import Answered, Block, LastRead
from poller.model.canonical import Utc
from poller.model.text import shown
from poller.reading.decode import Image, NotAValue, decode_field, image, raw_hex
from poller.reading.read_plan import span_of
from poller.reading.run import describe
from poller.site import yaml_lines
from poller.site.fields import fields
from poller.site.register_map import (
    FlagBit,
    FlagBits,
    FlagCode,
    IdentificationObject,
    RegisterMap,
)
from poller.site.yaml_lines import Path

BLOCKS: Final = {
    "identity": Block.IDENTITY,
    "nameplate": Block.NAMEPLATE,
    "components": Block.NAMEPLATE,
    "status": Block.STATUS,
}
"""In which part of a visit a section of a map is asked for."""
LINE_MAX: Final = 120  # characters of a line of a map; each field has one, or begins there


@dataclass(frozen=True, slots=True, kw_only=True)
class RegisterLine:
    """One field. raw: registers in fours of hex digits, bits as 0 and 1, "" where nothing was read.

    value: in words; in brackets why there is none. read: whether it is one. line: of the map's
    file, from 1, and text: what stands there; None for a map that is built in.
    """

    field: str
    where: str
    raw: str
    value: str
    read: bool
    line: int | None
    text: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class RegisterBlock:
    """What was asked for together. at: when it was last answered. trouble: why not all of it."""

    name: str
    at: Utc
    age_s: int
    trouble: str | None
    lines: tuple[RegisterLine, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Registers:
    """map: under which they are shown; fits: whether it is the relay's, or only the first of its
    maps. file: as texts of the site name it; None: built in."""

    map: str
    fits: bool
    file: str | None
    blocks: tuple[RegisterBlock, ...]


def registers(last: LastRead, texts: Mapping[str, str], now: datetime) -> Registers:
    """texts: of the site's files, by name. Decodes, so beside the loop."""
    one = (last.map or last.first).map
    file = f"maps/{one.map}.yaml"
    text = texts.get(file)
    return Registers(
        map=one.map,
        fits=last.map is not None,
        file=None if text is None else file,
        blocks=tuple(
            _block(name, answered, one, text, now)
            for name in Block
            if (answered := last.blocks.get(name)) is not None
        ),
    )


def _block(
    block: Block, answered: Answered, one: RegisterMap, text: str | None, now: datetime
) -> RegisterBlock:
    read = answered.read
    seen = image(read.pass_, read.replies, read.objects)
    lines = {} if text is None else _lines(text)
    rows = [] if text is None else text.split("\n")
    return RegisterBlock(
        name=block.value,
        at=answered.at.utc,
        age_s=age_s(answered.at.utc, now) or 0,
        trouble=None if read.trouble is None else describe(read.trouble),
        lines=tuple(
            _line(one, path, field, seen, lines.get(path), rows)
            for path, field in fields(one)
            if BLOCKS[str(path[0])] is block
        ),
    )


def _line(
    one: RegisterMap, path: Path, field: Any, seen: Image, line: int | None, rows: list[str]
) -> RegisterLine:
    value, read = told(one, field, seen)
    return RegisterLine(
        field=named(path),
        where=where(one, field),
        raw=raw_hex(one, field, seen),
        value=value,
        read=read,
        line=line,
        text=None if line is None else shown(rows[line - 1].strip(), LINE_MAX),
    )


@lru_cache(maxsize=16)  # maps of a site; reading one takes longer than decoding all its fields
def _lines(text: str) -> Mapping[Path, int]:
    return yaml_lines.read(text, "").lines


def named(path: Path) -> str:
    """identity.swRev, status.flags.0: as the map has it."""
    return ".".join(str(step) for step in path)


def where(one: RegisterMap, field: Any) -> str:
    """holding 24 to 31, object 0x02; addresses as the map numbers them."""
    if isinstance(field, IdentificationObject):
        return f"object {field.object:#04x}"
    span = span_of(one, "", field)
    first = f"{span.table} {span.address + one.base}"
    return first if span.count == 1 else f"{first} to {span.end - 1 + one.base}"


def told(one: RegisterMap, field: Any, seen: Image) -> tuple[str, bool]:
    """The value in words, and whether there is one; else in brackets why there is none."""
    try:
        value = plain_value(one, field, seen)
    except NotAValue as reason:
        return f"({reason})", False
    return ("(nothing stands there)", False) if value is None else (value, True)


def plain_value(one: RegisterMap, field: Any, seen: Image) -> str | None:
    """None: nothing stands there. Raises NotAValue."""
    value = _flags(field, seen, one) or decode_field(one, field, seen)
    return None if value is None else shown(str(value))


def _flags(field: Any, seen: Image, one: RegisterMap) -> str | None:
    """A source of flags as the raw names it raises."""
    if not isinstance(field, (FlagBits, FlagCode, FlagBit)):
        return None
    span = span_of(one, "", field)
    found = seen.slice(span.table, span.address, span.count)
    if found is None:
        raise NotAValue("not read")
    match field:
        case FlagBits(bits=bits):
            up = [flag for bit, flag in sorted(bits.items()) if found[bit // 16] >> bit % 16 & 1]
        case FlagCode(codes=codes):
            if found[0] not in codes:
                raise NotAValue(f"code {found[0]} stands for nothing in the map")
            up = list(codes[found[0]])
        case FlagBit(flag=flag, bit=bit):
            up = [flag] if found[0] >> (bit or 0) & 1 else []
    return "at one: " + (", ".join(up) or "none")
