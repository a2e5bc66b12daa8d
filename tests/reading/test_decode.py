"""Raw registers to values, each type, and what is no value. Expected values are worked by hand."""

from __future__ import annotations

import json
import struct
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from poller.model.canonical import stamp
from poller.model.nameplate import flat
from poller.reading.decode import Image, NameplateRead, decode_identity, decode_nameplate
from poller.reading.read_plan import compile_map
from tests.reading.vectors import CHECKS
from tests.simulator.layouts import layout

TIMES = json.loads((CHECKS / "cp56time2a_vectors.json").read_text())["vectors"]


def words(raw: str) -> list[int]:
    return [int(word, 16) for word in raw.split()]


def field(kind: str, count: int, **keys: Any) -> dict[str, Any]:
    size = {"registers": count} if kind in ("ascii", "bcd") else {}
    return {"table": "holding", "address": 0, "type": kind, **size, **keys}


def told(what: Mapping[str, Any], raw: str, *, name: str = "swRev") -> NameplateRead:
    """A nameplate whose one attribute lies at register 0."""
    compiled = compile_map(layout(identity={name: dict(what)}))
    seen = {("holding", at): word for at, word in enumerate(words(raw))}
    return decode_identity(compiled, Image(words=seen, objects={}))  # type: ignore[arg-type]


def verdict(read: NameplateRead, name: str = "swRev") -> str:
    if read.implausible:
        return f"not read: {read.implausible[0].reason}"
    if read.absent:
        assert read.absent == (name,)
        assert flat(read.nameplate) == {}
        return "absent"
    return flat(read.nameplate)[name]


# type and registers ; keys ; raw registers ; what the nameplate says
CASES = """
ascii 3 ;                       ; 5631 2E34 2000 ; V1.4        # NUL and space stripped
ascii 3 ; byte_order: low_first ; 3156 342E 0020 ; V1.4
ascii 3 ;                       ; 5631 2E34 FFFF ; V1.4        # 0xFF padding
ascii 3 ;                       ; 2020 5631 2E34 ; V1.4        # padded in front
ascii 3 ; length: 4             ; 5631 2E34 5858 ; V1.4        # characters kept
ascii 3 ; length: 3             ; 5631 2E34 5858 ; V1.
ascii 3 ;                       ; 5631 2034 2000 ; V1 4        # a space inside stays
ascii 3 ;                       ; FFFF FFFF FFFF ; absent      # erased memory
ascii 3 ;                       ; 0000 0000 0000 ; absent
ascii 3 ;                       ; 2020 2020 2020 ; absent
ascii 3 ;                       ; 5600 2E34 2000 ; not read: octets that are no printable ASCII
ascii 3 ;                       ; 5607 2E34 2000 ; not read: octets that are no printable ASCII
ascii 3 ;                       ; 56E4 2E34 2000 ; not read: octets that are no printable ASCII
ascii 3 ;                       ; 567F 2E34 2000 ; not read: octets that are no printable ASCII
ascii 3 ;                       ; 5631 FFFF 2E34 ; not read: octets that are no printable ASCII
u16 1   ;                       ; 0007      ; 7
u16 1   ;                       ; 0000      ; 0                # a zero is a number
u16 1   ;                       ; FFFF      ; absent           # erased memory
i16 1   ;                       ; FFFE      ; -2
i16 1   ;                       ; FFFF      ; -1               # and so is -1
u32 2   ;                       ; 0001 0002 ; 65538
u32 2   ; word_order: low_first ; 0002 0001 ; 65538
i32 2   ;                       ; FFFF FFFE ; -2
u64 4   ;                       ; 0001 0000 0000 0002 ; 281474976710658
u64 4   ; word_order: low_first ; 0002 0000 0000 0001 ; 281474976710658
i64 4   ;                       ; FFFF FFFF FFFF FFFD ; -3
f32 2   ;                       ; 4006 6666 ; 2.1              # not 2.0999999046325684
f32 2   ; word_order: low_first ; 6666 4006 ; 2.1
f32 2   ;                       ; 4000 0000 ; 2                # no trailing .0
f64 4   ;                       ; 4000 CCCC CCCC CCCD ; 2.1
f32 2   ;                       ; 7FC0 0000 ; not read: not a number, or infinite
f32 2   ;                       ; 7F80 0000 ; not read: not a number, or infinite
f32 2   ;                       ; FF80 0000 ; not read: not a number, or infinite
f64 4   ;                       ; 7FEF FFFF FFFF FFFF ; not read: over 255 characters
u16 1   ; scale: 0.1            ; 0003      ; 0.3              # exact, not 0.30000000000000004
u16 1   ; scale: 0.1            ; 001E      ; 3
u16 1   ; scale: 10, offset: 5  ; 0007      ; 75
u16 1   ; offset: 0.5           ; 0007      ; 7.5
bcd 2   ;                       ; 1234 5678 ; 12345678
bcd 2   ; word_order: low_first ; 5678 1234 ; 12345678
bcd 2   ; digits: 5             ; 0001 2345 ; 12345            # kept from the right
bcd 2   ; digits: 6             ; 0001 2345 ; 012345
bcd 1   ;                       ; 12A4      ; not read: a digit over 9
bcd 2   ;                       ; FFFF FFFF ; absent
enum 1  ; names: {3: three}     ; 0003      ; three
enum 1  ; names: {3: three}     ; 0004      ; not read: code 4 has no name in the map
bool 1  ; bit: 0                ; 0001      ; True
bool 1  ; bit: 15               ; 8000      ; True
bool 1  ; bit: 14               ; 8000      ; False
epoch_s 2 ;                     ; 6773 9A20 ; 2024-12-31T07:15:44.000Z
epoch_s 2 ; word_order: low_first ; 9A20 6773 ; 2024-12-31T07:15:44.000Z
epoch_s 2 ;                     ; 0000 0000 ; absent           # never set
epoch_s 2 ;                     ; FFFF FFFF ; absent
epoch_s 4 ; width: u64          ; 0000 0000 6773 9A20 ; 2024-12-31T07:15:44.000Z
epoch_s 4 ; width: u64 ; 0000 FF00 0000 0000 ; not read: 280375465082880 s after 1970 is no date
"""


def rows(table: str) -> list[str]:
    return [line for line in table.strip().splitlines() if line]


@pytest.mark.parametrize("line", rows(CASES))
def test_each_type(line: str) -> None:
    shape, keys, raw, rest = (part.strip() for part in line.split(";", 3))
    kind, count = shape.split()
    expected = rest.split("#")[0].strip()
    assert verdict(told(field(kind, int(count), **parsed(keys)), raw)) == expected


def parsed(keys: str) -> dict[str, Any]:
    if keys.startswith("names"):
        return {"names": {3: "three"}}
    found: dict[str, Any] = {}
    for pair in filter(None, keys.split(",")):
        key, value = (part.strip() for part in pair.split(":"))
        found[key] = json.loads(value) if value[0] in "-0123456789" else value
    return found


PARTS = """
{0}.{1:02}.{2:03}  ; 0 1 2           ; 0002 000A 0007 ; 2.10.007
V{0}.{1}           ; 0h 0l           ; 020A           ; V2.10
{1}-{0}            ; 0 2             ; 0001 FFFF 0002 ; 2-1
{0:c}{1}           ; 0 1             ; 0041 0003      ; A3
{0}.{1:02}         ; 0 1             ; FFFF FFFF      ; absent
{0}.{1}            ; 0 2             ; FFFF 0001 FFFF ; absent
{0}.{1}            ; 0h 0l           ; FFFF           ; absent
{0:c}{1}           ; 0 1          ; 0007 0003 ; not read: characters that can't be shown: '\\x073'
"""


@pytest.mark.parametrize("line", rows(PARTS))
def test_versions_composed_of_integers(line: str) -> None:
    pattern, places, raw, expected = (part.strip() for part in line.split(";"))
    octets = {"h": "high", "l": "low"}
    parts = [
        {"address": int(place[0])} | ({"octet": octets[place[1]]} if len(place) > 1 else {})
        for place in places.split()
    ]
    what = field("version_parts", len(words(raw)), parts=parts, pattern=pattern)
    assert verdict(told(what, raw)) == expected


# CP56Time2a. IEC 60870-5-4 layout; each vector names its own source.


def packed(raw: bytes, order: str) -> str:
    """Seven octets in four registers, least significant octet first; the last half is padding."""
    pairs = struct.unpack(f"{'>' if order == 'high_first' else '<'}4H", raw + b"\0")
    return " ".join(f"{word:04X}" for word in pairs)


@pytest.mark.parametrize("order", ["high_first", "low_first"])
@pytest.mark.parametrize("case", [c for c in TIMES if "utc" in c], ids=lambda c: f"{c['utc']}")
def test_the_published_times(case: dict[str, str], order: str) -> None:
    raw = packed(bytes.fromhex(case["hex"]), order)
    expected = stamp(datetime.fromisoformat(case["utc"]))
    read = told(field("cp56time2a", 4, byte_order=order), raw)
    assert verdict(read) == expected, case["source"]


def test_summer_time_is_told_as_the_relay_writes_it() -> None:
    # derived here; the map has no time zone, so the hour stays as it is
    case = next(one for one in TIMES if "local" in one)
    raw = packed(bytes.fromhex(case["hex"]), "high_first")
    assert case["local"].startswith("2025-07-15T12:30:45.500")
    assert verdict(told(field("cp56time2a", 4), raw)) == "2025-07-15T12:30:45.500Z"


# made from the first published vector, 85 49 0C 09 55 03 11, by changing one octet
NO_TIMES = """
85 49 8C 09 55 03 11 ; the relay marks its time as invalid
85 49 3C 09 55 03 11 ; no date: minute must be in 0..59
85 49 0C 18 55 03 11 ; no date: hour must be in 0..23
85 49 0C 09 40 03 11 ; no date: day is out of range for month
85 49 0C 09 55 0D 11 ; no date: month must be in 1..12
60 EA 0C 09 55 03 11 ; 60000 ms in a minute
"""


@pytest.mark.parametrize("line", rows(NO_TIMES))
def test_times_that_cannot_be(line: str) -> None:
    raw, reason = (part.strip() for part in line.split(";"))
    read = told(field("cp56time2a", 4), packed(bytes.fromhex(raw), "high_first"))
    assert verdict(read).startswith(f"not read: {reason}"[:30])


@pytest.mark.parametrize("raw", ["0000 0000 0000 0000", "FFFF FFFF FFFF FFFF"])
def test_a_time_never_set_is_absent(raw: str) -> None:
    assert verdict(told(field("cp56time2a", 4), raw)) == "absent"


# Serial numbers, objects, and the whole nameplate.

SERIALS = """
ascii 3 ; 3030 3030 3030 ; absent
ascii 3 ; 3030 3030 3031 ; 000001
bcd 2   ; 0000 0000      ; absent
u32 2   ; 0000 0000      ; absent
u32 2   ; 0000 0009      ; 9
"""


@pytest.mark.parametrize("line", rows(SERIALS))
def test_a_serial_of_zeros_alone_is_absent(line: str) -> None:
    shape, raw, expected = (part.strip() for part in line.split(";"))
    kind, count = shape.split()
    read = told(field(kind, int(count)), raw, name="serNum")
    assert verdict(read, "serNum") == expected


def test_objects_are_text_and_a_missing_one_is_absent() -> None:
    names = {"vendor": 0, "orderCode": 1, "swRev": 2, "model": 5}
    one = layout(
        identification="regular", identity={name: {"object": n} for name, n in names.items()}
    )
    objects = {0: b"Rookwood  \0", 1: b"A\x01B", 2: b""}
    read = decode_identity(compile_map(one), Image(words={}, objects=objects))
    assert flat(read.nameplate) == {"vendor": "Rookwood"}
    assert read.absent == ("model", "swRev")
    assert [str(one) for one in read.implausible] == [
        "orderCode: octets that are no printable ASCII (raw 41 01 42)"
    ]


def test_a_nameplate_joins_identity_nameplate_and_components() -> None:
    compiled = compile_map(
        layout(
            identity={"swRev": field("u16", 1)},
            nameplate={"configRev": {**field("u16", 1), "address": 5}},
            components={"boot": {"swRev": {**field("u16", 1), "address": 6}}},
        )
    )
    first = Image(words={("holding", 0): 1}, objects={})
    rest = Image(words={("holding", 5): 2, ("holding", 6): 3}, objects={})
    read = decode_nameplate(compiled, first.joined(rest))
    assert flat(read.nameplate) == {"swRev": "1", "configRev": "2", "components.boot.swRev": "3"}


def test_what_was_refused_is_not_read_rather_than_absent() -> None:
    read = decode_identity(
        compile_map(layout(identity={"swRev": field("u16", 1)})), Image(words={}, objects={})
    )
    assert verdict(read) == "not read: not read"


shapes = st.sampled_from(
    [
        *(field(kind, 0) for kind in ("u16", "i16", "u32", "i32", "u64", "i64", "f32", "f64")),
        field("ascii", 4),
        field("bcd", 4),
        field("bool", 1, bit=3),
        field("enum", 1, names={1: "one"}),
        field("epoch_s", 4, width="u64"),
        field("cp56time2a", 4),
        field("u16", 1, scale=0.1, offset=-7),
        field("version_parts", 2, parts=[{"address": 0}, {"address": 1}], pattern="{0}.{1:c}"),
    ]
)


@given(shapes, st.lists(st.integers(0, 0xFFFF), min_size=4, max_size=4))
def test_any_registers_at_all_come_out_as_data(what: dict[str, Any], raw: list[int]) -> None:
    read = told(what, " ".join(f"{word:04x}" for word in raw))
    text = flat(read.nameplate).get("swRev")
    # exactly one of: a text that can be shown, absent, implausible
    assert (text is not None) + len(read.absent) + len(read.implausible) == 1
    assert text is None or (text.isprintable() and 1 <= len(text) <= 255)


@given(st.floats(width=32, allow_nan=False, allow_infinity=False))
def test_a_short_float_is_the_same_float(value: float) -> None:
    raw = struct.pack(">f", value)
    read = told(field("f32", 2), raw.hex(" ", 2))
    text = flat(read.nameplate).get("swRev")
    if text is not None:
        assert struct.pack(">f", float(text)) == raw or float(text) == value == 0


@given(st.integers(1, 0xFFFF_FFFE))
def test_seconds_since_1970(seconds: int) -> None:
    moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=seconds)
    raw = seconds.to_bytes(4, "big").hex(" ", 2)
    assert verdict(told(field("epoch_s", 2), raw)) == stamp(moment)
