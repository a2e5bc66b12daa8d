"""What raw registers and objects mean under a map: nameplate and status.

What a device sends that can't be a value is Implausible: data, told beside what could be read.
Erased memory (all 0x00 or all 0xFF) and padding alone are absent: nothing stands there.
"""

from __future__ import annotations

import math
import re
import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from typing import Final, TypeAlias

from poller.model import limits
from poller.model.canonical import stamp
from poller.model.nameplate import Nameplate, from_flat
from poller.model.status import Behaviour, Health, Status
from poller.reading.exchange import bits, registers
from poller.reading.read_plan import NUMBER_FORMAT, CompiledMap, Pass
from poller.site.register_map import (
    BIT_TABLES,
    Ascii,
    Bcd,
    BinaryTime,
    Bool,
    Enumerated,
    EpochTime,
    FlagBit,
    FlagBits,
    FlagCode,
    IdentificationObject,
    Number,
    Part,
    Place,
    RegisterMap,
    Table,
    VersionParts,
    words,
)

F32_MAX: Final = 3.4e38
F64_MAX: Final = 1.7e308
PADDING: Final = b"\x00 \xff"
DIGITS: Final = re.compile(r"[0-9]+")  # not isdigit: that takes the superscript two
HEALTH: Final = {"ok": Health.OK, "warning": Health.WARNING, "alarm": Health.ALARM}
BEHAVIOUR: Final = {
    "on": Behaviour.ON,
    "blocked": Behaviour.BLOCKED,
    "test": Behaviour.TEST,
    "test_blocked": Behaviour.TEST_BLOCKED,
    "off": Behaviour.OFF,
}
Value: TypeAlias = str | int | float | bool | datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Implausible:
    """A field that was read and holds no value. raw: hex."""

    field: str
    reason: str
    raw: str

    def __str__(self) -> str:
        return f"{self.field}: {self.reason} (raw {self.raw})"


class NotAValue(Exception):
    """Inside this module only: why these octets are no value."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Image:
    """All that one visit read. words: (table, zero-based address) to a register or a bit."""

    words: Mapping[tuple[Table, int], int]
    objects: Mapping[int, bytes]

    def joined(self, other: Image) -> Image:
        return Image(words={**self.words, **other.words}, objects={**self.objects, **other.objects})

    def slice(self, table: Table, address: int, count: int) -> tuple[int, ...] | None:
        """The registers or bits there; None where any of them was not read."""
        found = [self.words.get((table, at)) for at in range(address, address + count)]
        return None if None in found else tuple(word for word in found if word is not None)


def image(
    pass_: Pass, replies: Sequence[bytes | None], objects: Mapping[int, bytes] | None = None
) -> Image:
    """replies: one for each request of the pass that was answered; None: refused."""
    found: dict[tuple[Table, int], int] = {}
    for request, pdu in zip(pass_.requests, replies, strict=False):
        if pdu is None or request.table is None:
            continue
        values: Sequence[int] = (
            bits(pdu, request.count) if request.table in BIT_TABLES else registers(pdu)
        )
        for at, value in enumerate(values, start=request.address):
            found[request.table, at] = int(value)
    return Image(words=found, objects=dict(objects or {}))


@dataclass(frozen=True, slots=True, kw_only=True)
class NameplateRead:
    """absent: attributes that the map has and where nothing stands, by flat name."""

    nameplate: Nameplate
    implausible: tuple[Implausible, ...]
    absent: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class StatusRead:
    """changed_at: when the relay says it last changed. bad: values that were not plausible."""

    status: Status
    changed_at: datetime | None
    implausible: tuple[Implausible, ...]

    @property
    def bad(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(one.field for one in self.implausible))


def decode_identity(compiled: CompiledMap, seen: Image) -> NameplateRead:
    """The identity alone, as it chooses the map."""
    return _nameplate(compiled.map, _attributes(compiled.map.identity), seen)


def decode_nameplate(compiled: CompiledMap, seen: Image) -> NameplateRead:
    """Identity, nameplate and components. seen: the images of both passes joined."""
    one = compiled.map
    fields = _attributes(one.identity) | _attributes(one.nameplate)
    for name, component in one.components.items():
        fields |= {
            f"components.{name}.{key}": value for key, value in _attributes(component).items()
        }
    return _nameplate(one, fields, seen)


def decode_status(compiled: CompiledMap, seen: Image) -> StatusRead:
    one, fields = compiled.map, compiled.map.status
    implausible: list[Implausible] = []

    def value(name: str) -> Value:
        field = getattr(fields, name)
        return None if field is None else _tried(one, name, field, seen, implausible)

    def number(name: str) -> int | None:
        found = value(name)
        if isinstance(found, str) and DIGITS.fullmatch(found):
            found = int(found)  # a setting group told by the names of an enumeration
        if isinstance(found, (int, float)):
            if 0 <= found < 2**63:
                return int(found)
            implausible.append(Implausible(field=name, reason="below zero or too big", raw=""))
        return None

    health, behaviour = value("health"), value("behaviour")
    relay_time, changed_at = value("relay_time"), value("changed_at")
    status = Status(
        health=HEALTH[health] if isinstance(health, str) else None,
        behaviour=BEHAVIOUR[behaviour] if isinstance(behaviour, str) else None,
        flags=_flags(one, seen, implausible),
        setting_group=number("setting_group"),
        free_memory_kb=number("free_memory_kb"),
        stored_records=number("stored_records"),
        uptime_s=number("uptime_s"),
        relay_time=relay_time if isinstance(relay_time, datetime) else None,
    )
    return StatusRead(
        status=status,
        changed_at=changed_at if isinstance(changed_at, datetime) else None,
        implausible=tuple(implausible),
    )


def decode_field(one: RegisterMap, field: object, seen: Image) -> Value:
    """One field's value; None: nothing stands there. Raises NotAValue with the reason."""
    if isinstance(field, IdentificationObject):
        raw = seen.objects.get(field.object)
        return None if raw is None else _text(raw)
    assert isinstance(field, Place)
    address = field.address - one.base
    if isinstance(field, VersionParts):
        address = min(part.address for part in field.parts) - one.base
    found = seen.slice(field.table, address, words(field))
    if found is None:
        raise NotAValue("not read")
    return _value(one, field, found, address)


def _attributes(model: object) -> dict[str, object]:
    names = type(model).model_fields  # type: ignore[attr-defined]
    return {name: value for name in names if (value := getattr(model, name)) is not None}


def _nameplate(one: RegisterMap, fields: Mapping[str, object], seen: Image) -> NameplateRead:
    values: dict[str, str | None] = {}
    implausible: list[Implausible] = []
    for name, field in fields.items():
        value = _tried(one, name, field, seen, implausible, erased_is_absent=True)
        text = _as_text(value)
        if text is not None and len(text) > limits.TEXT_MAX:
            reason, raw = f"over {limits.TEXT_MAX} characters", raw_hex(one, field, seen)
            implausible.append(Implausible(field=name, reason=reason, raw=raw))
            text = None
        if name == "serNum" and text is not None and not text.strip("0"):
            text = None  # all zeros: never set
        values[name] = text
    told = {part.field for part in implausible}
    return NameplateRead(
        nameplate=from_flat(values),
        implausible=tuple(implausible),
        absent=tuple(name for name, text in values.items() if text is None and name not in told),
    )


def _tried(
    one: RegisterMap,
    name: str,
    field: object,
    seen: Image,
    implausible: list[Implausible],
    *,
    erased_is_absent: bool = False,
) -> Value:
    try:
        if erased_is_absent and _erased(one, field, seen):
            return None
        return decode_field(one, field, seen)
    except NotAValue as reason:
        implausible.append(
            Implausible(field=name, reason=str(reason), raw=raw_hex(one, field, seen))
        )
        return None


def _erased(one: RegisterMap, field: object, seen: Image) -> bool:
    """All ones, or all zeros where a zero is no value of its own (texts and times)."""
    if not isinstance(field, Place) or field.table in BIT_TABLES:
        return False
    address = field.address - one.base
    found = seen.slice(field.table, address, words(field))
    if found is None or isinstance(field, (Enumerated, Bool)):
        return False
    if isinstance(field, Number) and field.type.startswith("i"):
        return False  # -1 is a number
    if isinstance(field, VersionParts):
        found = tuple(found[part.address - field.address] for part in field.parts)
    if set(found) == {0xFFFF}:
        return True
    return set(found) == {0} and isinstance(field, (Ascii, EpochTime, BinaryTime))


def raw_hex(one: RegisterMap, field: object, seen: Image) -> str:
    """What stands there, in hex: registers in fours, bits as 0 and 1."""
    if isinstance(field, IdentificationObject):
        return seen.objects.get(field.object, b"").hex(" ")
    assert isinstance(field, Place)
    address = field.address - one.base
    if isinstance(field, VersionParts):
        address = min(part.address for part in field.parts) - one.base
    found = seen.slice(field.table, address, words(field)) or ()
    form = "{}" if field.table in BIT_TABLES else "{:04x}"
    return " ".join(form.format(word) for word in found)


def _as_text(value: Value) -> str | None:
    match value:
        case None | str():
            return value
        case datetime():
            return stamp(value)
        case float() if value.is_integer():
            return str(int(value))
        case _:
            return str(value)


def _value(one: RegisterMap, field: Place, found: tuple[int, ...], address: int) -> Value:
    match field:
        case Ascii():
            return _ascii(one, field, found)
        case Number():
            return _number(one, field, found)
        case Bcd():
            return _bcd(found, field, _low_first(field.word_order or one.word_order))
        case Enumerated(names=names):
            if found[0] not in names:
                raise NotAValue(f"code {found[0]} has no name in the map")
            return names[found[0]]
        case Bool(bit=bit):
            return _bit(field.table, found[0], bit)
        case VersionParts():
            return _version(one, field, found, address)
        case EpochTime(width=width):
            seconds = _unpack(width, found, _low_first(field.word_order or one.word_order))
            return None if _never(found) else _epoch(int(seconds))
        case BinaryTime():
            return None if _never(found) else _cp56(one, field, found)
    raise AssertionError(f"a field type that is not decoded: {field!r}")


def _never(found: tuple[int, ...]) -> bool:
    """A time that was never set: all zeros or all ones."""
    return set(found) in ({0}, {0xFFFF})


def _low_first(order: str) -> bool:
    return order == "low_first"


def _ascii(one: RegisterMap, field: Ascii, found: tuple[int, ...]) -> str | None:
    order = "little" if (field.byte_order or one.byte_order) == "low_first" else "big"
    octets = b"".join(word.to_bytes(2, order) for word in found)  # type: ignore[arg-type]
    return _text(octets if field.length is None else octets[: field.length])


def _text(octets: bytes) -> str | None:
    """Padding stripped; an octet outside printable ASCII: half-written, or no text at all."""
    octets = octets.strip(PADDING)
    if not octets:
        return None
    if not all(0x20 <= octet <= 0x7E for octet in octets):
        raise NotAValue("octets that are no printable ASCII")
    return octets.decode("ascii")


def _printable(text: str) -> str:
    if not text.isprintable():
        raise NotAValue(f"characters that can't be shown: {text!a}")
    return text


def _unpack(kind: str, found: tuple[int, ...], low_first: bool) -> int | float:
    ordered = found[::-1] if low_first else found
    octets = b"".join(word.to_bytes(2, "big") for word in ordered)
    value: int | float = struct.unpack(">" + NUMBER_FORMAT[kind], octets)[0]
    return _shortest(value) if kind == "f32" else value


def _shortest(value: float) -> float:
    """The shortest decimal that is this 32-bit float: 2.1 and not 2.0999999046325684."""
    for digits in range(1, 9):
        short = float(f"{value:.{digits}g}")
        # a number rounded up past the largest float does not pack
        if abs(short) < F32_MAX and struct.pack(">f", short) == struct.pack(">f", value):
            return short
    return value


def _number(one: RegisterMap, field: Number, found: tuple[int, ...]) -> int | float:
    raw = _unpack(field.type, found, _low_first(field.word_order or one.word_order))
    if not math.isfinite(raw):
        raise NotAValue("not a number, or infinite")
    if field.scale == 1 and field.offset == 0:
        return raw
    # exact, so that 3 * 0.1 is 0.3 and the same text every time
    exact = Fraction(raw) * Fraction(str(field.scale)) + Fraction(str(field.offset))
    if abs(exact) > F64_MAX:
        raise NotAValue("too big for a number")
    return int(exact) if exact.denominator == 1 else float(exact)


def _bcd(found: tuple[int, ...], field: Bcd, low_first: bool) -> str:
    ordered = found[::-1] if low_first else found
    digits = "".join(f"{word:04x}" for word in ordered)
    if not digits.isdecimal():
        raise NotAValue("a digit over 9")
    return digits if field.digits is None else digits[-field.digits :]


def _bit(table: Table, word: int, bit: int | None) -> bool:
    if table in BIT_TABLES:
        return bool(word)
    return bool(word >> (bit or 0) & 1)


def _version(one: RegisterMap, field: VersionParts, found: tuple[int, ...], start: int) -> str:
    parts = [_part(part, found[part.address - one.base - start]) for part in field.parts]
    return _printable(field.pattern.format(*parts))


def _part(part: Part, word: int) -> int:
    match part.octet:
        case "high":
            return word >> 8
        case "low":
            return word & 0xFF
        case None:
            return word


def _epoch(seconds: int) -> datetime:
    try:
        return datetime.fromtimestamp(seconds, UTC)
    except (ValueError, OverflowError, OSError) as reason:
        raise NotAValue(f"{seconds} s after 1970 is no date") from reason


def _cp56(one: RegisterMap, field: BinaryTime, found: tuple[int, ...]) -> datetime:
    """CP56Time2a, taken for UTC: where a relay keeps local time, its own offset is not known here.

    Source: IEC 60870-5-4, layout as in the table of check values; year 0 to 99 is 2000 to 2099.
    """
    order = "big" if (field.byte_order or one.byte_order) == "high_first" else "little"
    o = b"".join(word.to_bytes(2, order) for word in found)[:7]  # type: ignore[arg-type]
    if o[2] & 0x80:
        raise NotAValue("the relay marks its time as invalid")
    milliseconds = o[0] | o[1] << 8
    try:
        at = datetime(
            2000 + (o[6] & 0x7F), o[5] & 0x0F, o[4] & 0x1F, o[3] & 0x1F, o[2] & 0x3F, tzinfo=UTC
        )
    except ValueError as reason:
        raise NotAValue(f"no date: {reason}") from reason
    if milliseconds > 59_999:
        raise NotAValue(f"{milliseconds} ms in a minute")
    return at + timedelta(milliseconds=milliseconds)


def _flags(
    one: RegisterMap, seen: Image, implausible: list[Implausible]
) -> tuple[tuple[str, bool], ...]:
    """Every flag that could be read, sorted; what could not is missing, and said in implausible."""
    told: dict[str, bool] = {}
    for source in one.status.flags:
        found = seen.slice(source.table, source.address - one.base, words(source))
        if found is None:
            implausible.append(Implausible(field="flags", reason="not read", raw=""))
            continue
        match source:
            case FlagBits(bits=named):
                raised = {
                    flag: bool(found[bit // 16] >> bit % 16 & 1) for bit, flag in named.items()
                }
            case FlagCode(codes=codes):
                if found[0] not in codes:
                    reason = f"code {found[0]} stands for nothing in the map"
                    raw = f"{found[0]:04x}"
                    implausible.append(Implausible(field="flags", reason=reason, raw=raw))
                    continue
                every = {flag for flags in codes.values() for flag in flags}
                raised = {flag: flag in codes[found[0]] for flag in every}
            case FlagBit(flag=flag, bit=bit):
                raised = {flag: _bit(source.table, found[0], bit)}
        for flag, is_one in raised.items():
            polarity = one.flags[flag].active == "one" or isinstance(source, FlagCode)
            told[flag] = is_one is polarity
    return tuple(sorted(told.items()))
