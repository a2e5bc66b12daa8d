"""Engineering values to registers: what a relay does with its values before anyone reads them.

The inverse of the poller's decoder and written without it, so that each checks the other.
A register is an integer 0 to 65535; an image maps zero-based addresses to registers or bits.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Sequence
from datetime import UTC, datetime
from fractions import Fraction
from math import floor
from string import Formatter
from typing import Final, Literal, TypeAlias

from poller.model.canonical import stamp, unstamp
from poller.site.register_map import (
    WORDS,
    Ascii,
    Bcd,
    BinaryTime,
    Bool,
    Enumerated,
    EpochTime,
    Field_,
    Number,
    RegisterMap,
    VersionParts,
    words,
)

Value: TypeAlias = str | int | datetime | None
Padding: TypeAlias = Literal["nul", "space", "erased"]
PAD: Final[dict[str, int]] = {"nul": 0x00, "space": 0x20, "erased": 0xFF}
ERASED: Final = 0xFFFF  # flash memory that nobody has written
STRUCT: Final = {
    "u16": ">H", "i16": ">h", "u32": ">I", "i32": ">i", "u64": ">Q", "i64": ">q",
    "f32": ">f", "f64": ">d",
}  # fmt: skip


class DoesNotFit(ValueError):
    """A value that the field of the map can't carry; the text says why."""


def registers(field: Field_, value: Value, of: RegisterMap, padding: Padding = "nul") -> list[int]:
    """Registers of a field in the order of their addresses; one bit for a field in a bit table.

    value: text as the nameplate spells it, a whole number or a time; None is memory never written.
    A text that would be read back otherwise (007 in a number) does not fit.
    A field that takes one bit of a register gives that register with the other bits 0.
    Raises DoesNotFit.
    """
    if value is None and not isinstance(field, Ascii):
        return [1 if field.table in ("coil", "discrete") else ERASED] * words(field)
    match field:
        case Ascii():
            return _ascii(field, str(value or ""), field.byte_order or of.byte_order, PAD[padding])
        case Number():
            return _ordered(_number(field, value), field.word_order or of.word_order)
        case Bcd():
            return _ordered(_bcd(field, str(value)), field.word_order or of.word_order)
        case Enumerated(names=names):
            return [_code(names, str(value))]
        case Bool(bit=bit):
            return [_truth(value) << (bit or 0)]
        case VersionParts():
            return _parts(field, str(value))
        case EpochTime(width=width):
            seconds = int(_moment(value, whole_seconds=True).timestamp())
            return _ordered(_packed(width, seconds), field.word_order or of.word_order)
        case BinaryTime():
            return _octets(binary_time(_moment(value)) + b"\0", field.byte_order or of.byte_order)


def binary_time(at: datetime) -> bytes:
    """CP56Time2a, seven octets, UTC, valid, no summer time.

    Source: IEC 60870-5-4 layout; day of week 1 is Monday.
    """
    at = at.astimezone(UTC)
    if not 2000 <= at.year <= 2099:
        raise DoesNotFit(f"{at.year}: CP56Time2a counts 2000 to 2099")
    milliseconds = at.second * 1000 + at.microsecond // 1000
    day = at.day | at.isoweekday() << 5
    return struct.pack("<HBBBBB", milliseconds, at.minute, at.hour, day, at.month, at.year - 2000)


def _ascii(field: Ascii, text: str, order: str, pad: int) -> list[int]:
    room = field.registers * 2
    kept = min(field.length or room, room)
    try:
        octets = text.encode("ascii")
    except UnicodeEncodeError:
        raise DoesNotFit(f"{text!r}: only ASCII fits a register") from None
    if not text.isprintable() or text != text.strip():
        raise DoesNotFit(f"{text!r}: outer spaces and control characters do not come back")
    if len(octets) > kept:
        raise DoesNotFit(f"{text!r} has {len(octets)} characters, the field holds {kept}")
    return _octets(octets.ljust(room, bytes([pad])), order)


def _octets(octets: bytes, order: str) -> list[int]:
    layout = ">" if order == "high_first" else "<"
    return list(struct.unpack(f"{layout}{len(octets) // 2}H", octets))


def _ordered(high_first: Sequence[int], order: str) -> list[int]:
    return list(high_first) if order == "high_first" else list(reversed(high_first))


def _packed(kind: str, value: float) -> list[int]:
    try:
        octets = struct.pack(STRUCT[kind], value)
    except (struct.error, OverflowError):
        raise DoesNotFit(f"{value}: out of the bounds of {kind}") from None
    return list(struct.unpack(f">{WORDS[kind]}H", octets))


def _number(field: Number, value: Value) -> list[int]:
    """A text must come back as it is; a measured value is cut to the steps that the field has."""
    if type(value) is int and field.type not in ("f32", "f64") and _as_it_is(field):
        return _packed(field.type, value)  # a counter, at every second of a relay's life
    try:
        wanted = Fraction(str(value))
        exact = (wanted - Fraction(str(field.offset))) / Fraction(str(field.scale))
    except (ValueError, ZeroDivisionError):
        raise DoesNotFit(f"{value!r} is no number") from None
    plain = str(int(wanted)) if wanted.denominator == 1 else str(float(wanted))
    if plain != str(value):
        raise DoesNotFit(f"{value!r} is read back as {plain}")
    if field.type in ("f32", "f64"):
        return _packed(field.type, float(exact))
    if exact.denominator != 1 and isinstance(value, str):
        raise DoesNotFit(f"{value}: no whole number of steps of {field.scale}")
    return _packed(field.type, floor(exact))


def _as_it_is(field: Number) -> bool:
    return field.scale == 1 and field.offset == 0


def _bcd(field: Bcd, text: str) -> list[int]:
    room = min(field.digits or field.registers * 4, field.registers * 4)
    if not re.fullmatch(r"[0-9]+", text):
        raise DoesNotFit(f"{text!r}: packed decimal holds digits only")
    if len(text) != room:
        raise DoesNotFit(f"{text!r} has {len(text)} digits, the field shows {room}")
    digits = text.zfill(field.registers * 4)
    return [int(digits[at : at + 4], 16) for at in range(0, len(digits), 4)]


def _code(names: dict[int, str], name: str) -> int:
    for code, known in names.items():
        if known == name:
            return code
    raise DoesNotFit(f"{name!r} has no code; the map knows {', '.join(sorted(names.values()))}")


def _truth(value: Value) -> int:
    if str(value) not in ("True", "False"):
        raise DoesNotFit(f"{value!r} is neither True nor False")
    return int(str(value) == "True")


def _moment(value: Value, *, whole_seconds: bool = False) -> datetime:
    if isinstance(value, datetime):
        return value
    try:
        at = unstamp(str(value))
    except ValueError:
        raise DoesNotFit(f"{value!r} is no time with an offset from UTC") from None
    if whole_seconds:
        at = at.replace(microsecond=0)
    if stamp(at) != value:
        raise DoesNotFit(f"{value!r} is read back as {stamp(at)}")
    return at


def _parts(field: VersionParts, text: str) -> list[int]:
    """The integers that the pattern would compose to this very text."""
    numbers = _taken_apart(field.pattern, text)
    first = min(part.address for part in field.parts)
    image = [0] * words(field)
    for part, number in zip(field.parts, numbers, strict=False):
        limit = 0xFF if part.octet else 0xFFFF
        if number > limit:
            raise DoesNotFit(f"{text!r}: {number} is over {limit}")
        image[part.address - first] |= number << 8 if part.octet == "high" else number
    return image


def _taken_apart(pattern: str, text: str) -> list[int]:
    """Raises DoesNotFit where the pattern can't give the text."""
    expression = ""
    places: list[tuple[int, str]] = []
    for literal, place, spec, _ in Formatter().parse(pattern):
        expression += re.escape(literal)
        if place is None:
            continue
        kind = (spec or "d")[-1]
        width = re.search(r"[1-9]\d*", spec or "")
        one = {"x": "[0-9a-f]", "X": "[0-9A-F]", "c": "."}.get(kind, r"\d")
        expression += f"({one}{{{width[0]},}}?)" if width else f"({one}+?)"
        places.append((int(place), kind))
    found = re.fullmatch(expression, text)
    if found is None:
        raise DoesNotFit(f"{text!r} is not of the form {pattern}")
    numbers = [0] * (max((at for at, _ in places), default=-1) + 1)
    for (at, kind), piece in zip(places, found.groups(), strict=True):
        numbers[at] = ord(piece) if kind == "c" else int(piece, 16 if kind in "xX" else 10)
    if pattern.format(*numbers) != text:
        raise DoesNotFit(f"{text!r}: {pattern} would write {pattern.format(*numbers)!r}")
    return numbers
