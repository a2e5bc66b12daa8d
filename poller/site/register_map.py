"""A register map: where a relay family keeps its nameplate and status. Written by the engineer.

Addresses stand in the file as its `numbering` says; `zero_based()` gives them as on the wire.
"""

from __future__ import annotations

from typing import Annotated, Any, Final, Literal, TypeAlias

from pydantic import Discriminator, Field, Tag

from poller.model import limits
from poller.site.strict import Many, Strict

Table: TypeAlias = Literal["holding", "input", "coil", "discrete"]
BIT_TABLES: Final = ("coil", "discrete")
ByteOrder: TypeAlias = Literal["high_first", "low_first"]
WordOrder: TypeAlias = Literal["high_first", "low_first"]
NumberType: TypeAlias = Literal["u16", "i16", "u32", "i32", "u64", "i64", "f32", "f64"]
WORDS: Final[dict[str, int]] = {
    "u16": 1, "i16": 1, "u32": 2, "i32": 2, "u64": 4, "i64": 4, "f32": 2, "f64": 4,
}  # fmt: skip
MAP_NAME: Final = r"^[a-z0-9][a-z0-9-]{0,39}$"
MapName: TypeAlias = Annotated[
    str,
    Field(
        pattern=MAP_NAME,
        description="small letters, digits and dashes, at most 40: it is a file's name too",
    ),
]
Name: TypeAlias = Annotated[
    str,
    Field(
        pattern=r"^[a-z][a-z0-9_]{0,39}$",
        description="small letters, digits and underscores, at most 40: it stands in messages",
    ),
]
Line: TypeAlias = Annotated[
    str,
    Field(
        min_length=1,
        max_length=limits.TEXT_MAX,
        description="IEC 61850-7-3 gives texts of a nameplate as VisString255",
    ),
]
Address: TypeAlias = Annotated[
    int, Field(ge=0, le=65_536, description="a table has 65536 places, from 0 or from 1")
]
Bit: TypeAlias = Annotated[
    int, Field(ge=0, le=15, description="a register has 16 bits, 0 the least significant")
]
Code: TypeAlias = Annotated[int, Field(ge=0, le=65_535, description="a register holds 16 bits")]
ReadCount: TypeAlias = Annotated[
    int,
    Field(
        ge=1,
        le=limits.REGISTERS_MAX,
        description="MODBUS Application Protocol V1.1b3, 6.3: one read has at most 125 registers",
    ),
]


class Place(Strict):
    """Where a field lies. read_effect: reading it changes something in the relay; refused.

    ticking: it moves by itself (uptime, counters) and alone tells nothing.
    """

    table: Table
    address: Address
    read_effect: bool = False
    ticking: bool = False


class Ascii(Place):
    type: Literal["ascii"]
    registers: ReadCount
    length: Annotated[int, Field(ge=1, le=limits.TEXT_MAX)] | None = None  # characters kept
    byte_order: ByteOrder | None = None  # None: as the map says


class Number(Place):
    """value = raw * scale + offset. As text: a whole number without a point."""

    type: NumberType
    word_order: WordOrder | None = None
    scale: float = 1
    offset: float = 0


class Bcd(Place):
    """Packed decimal, most significant digit first. digits: how many are kept, from the right."""

    type: Literal["bcd"]
    registers: Annotated[
        int, Field(ge=1, le=8, description="four digits a register; no serial has over 32")
    ]
    digits: Annotated[int, Field(ge=1, le=32)] | None = None
    word_order: WordOrder | None = None


class Enumerated(Place):
    """A code with names; a code without one is not plausible."""

    type: Literal["enum"]
    names: Annotated[dict[Code, Line], Field(min_length=1, max_length=limits.CODES_MAX)]


class Bool(Place):
    """A coil or discrete input, or one bit of a register (bit 0 is the least significant)."""

    type: Literal["bool"]
    bit: Bit | None = None


class Part(Strict):
    """One integer of a composed version. octet: only half of the register."""

    address: Address
    octet: Literal["high", "low"] | None = None


class VersionParts(Place):
    """Integers composed to a text: pattern "{0}.{1:02}" over parts. address: the lowest part's."""

    type: Literal["version_parts"]
    parts: Annotated[tuple[Part, ...], Field(min_length=1, max_length=8, strict=False)]
    pattern: Line


class EpochTime(Place):
    """Seconds since 1970-01-01 UTC."""

    type: Literal["epoch_s"]
    width: Literal["u32", "u64"] = "u32"
    word_order: WordOrder | None = None


class BinaryTime(Place):
    """CP56Time2a of IEC 60870-5-4: seven octets in four registers, lowest octet first."""

    type: Literal["cp56time2a"]
    byte_order: ByteOrder | None = None


class IdentificationObject(Strict):
    """An object of Read Device Identification (FC 43 / MEI 14), always text."""

    object: Annotated[int, Field(ge=0, le=255, description="an object id is one octet")]
    type: Literal["ascii"] = "ascii"


Field_: TypeAlias = Ascii | Number | Bcd | Enumerated | Bool | VersionParts | EpochTime | BinaryTime


def _kind_of(value: Any) -> str | None:
    """Which class reads this value, so that its faults name the keys of that class only."""
    if isinstance(value, dict):
        kind = "object" if "object" in value else value.get("type")
    else:
        kind = "object" if isinstance(value, IdentificationObject) else getattr(value, "type", None)
    return "number" if str(kind) in WORDS else str(kind)


def _by_type(*allowed: str) -> Discriminator:
    return Discriminator(
        _kind_of,
        custom_error_type="field_type",
        custom_error_message="use one of: " + ", ".join(allowed),
    )


NUMBERS: Final = tuple(WORDS)
TextField: TypeAlias = Annotated[
    Annotated[Ascii, Tag("ascii")]
    | Annotated[Number, Tag("number")]
    | Annotated[Bcd, Tag("bcd")]
    | Annotated[Enumerated, Tag("enum")]
    | Annotated[Bool, Tag("bool")]
    | Annotated[VersionParts, Tag("version_parts")]
    | Annotated[EpochTime, Tag("epoch_s")]
    | Annotated[BinaryTime, Tag("cp56time2a")]
    | Annotated[IdentificationObject, Tag("object")],
    _by_type(
        "ascii", *NUMBERS, "bcd", "enum", "bool", "version_parts", "epoch_s", "cp56time2a",
        "or object: N",
    ),
]  # fmt: skip
"""A field that ends as text in the nameplate."""
NumberOrEnum: TypeAlias = Annotated[
    Annotated[Number, Tag("number")] | Annotated[Enumerated, Tag("enum")],
    _by_type(*NUMBERS, "enum"),
]
Time: TypeAlias = Annotated[
    Annotated[EpochTime, Tag("epoch_s")] | Annotated[BinaryTime, Tag("cp56time2a")],
    _by_type("epoch_s", "cp56time2a"),
]


class FlagBits(Place):
    """Named flags in the bits of one register (or of two: registers: 2, bit 16 in the second)."""

    type: Literal["bits"]
    registers: Annotated[int, Field(ge=1, le=4, description="bits 0 to 63")] = 1
    bits: Annotated[
        dict[Annotated[int, Field(ge=0, le=63, description="four registers at most")], Name],
        Field(min_length=1),
    ]


class FlagCode(Place):
    """One code that stands for a set of flags, none included; other codes are not plausible."""

    type: Literal["codes"]
    codes: Annotated[dict[Code, Many[Name]], Field(min_length=1, max_length=limits.CODES_MAX)]


class FlagBit(Place):
    """A single flag in a coil, a discrete input or one bit of a register."""

    type: Literal["bool"]
    flag: Name
    bit: Bit | None = None


FlagSource: TypeAlias = Annotated[
    Annotated[FlagBits, Tag("bits")]
    | Annotated[FlagCode, Tag("codes")]
    | Annotated[FlagBit, Tag("bool")],
    _by_type("bits", "codes", "bool"),
]


class FlagMeaning(Strict):
    """active: the raw state in which the flag stands."""

    active: Literal["one", "zero"] = "one"
    kind: Literal["latched", "live"]
    cleared_by: Literal["itself", "relay_procedure", "engineering_tool", "front_panel", "restart"]
    says: Line  # a sentence for people


class NameplateFields(Strict):
    """Where each attribute lies. Names as in model.nameplate."""

    vendor: TextField | None = None
    model: TextField | None = None
    serNum: TextField | None = None
    hwRev: TextField | None = None
    swRev: TextField | None = None
    configRev: TextField | None = None
    paramRev: TextField | None = None
    location: TextField | None = None
    orderCode: TextField | None = None
    settingsId: TextField | None = None


class ComponentFields(Strict):
    hwRev: TextField | None = None
    swRev: TextField | None = None


class StatusFields(Strict):
    """health names: ok, warning, alarm. behaviour names: on, blocked, test, test_blocked, off."""

    health: Enumerated | None = None
    behaviour: Enumerated | None = None
    setting_group: NumberOrEnum | None = None
    free_memory_kb: Number | None = None
    stored_records: Number | None = None
    uptime_s: Number | None = None
    relay_time: Time | None = None
    changed_at: Time | None = None  # when the relay says it last changed
    flags: Annotated[Many[FlagSource], Field(max_length=limits.FIELDS_MAX)] = ()


class Dotted(Strict):
    """2.10.0: integers, compared one by one; a prefix letter is skipped, leading zeros too."""

    kind: Literal["dotted"]


class DottedServicePack(Strict):
    """5.1 SP2 HF3: dotted, then service pack, then hot fix."""

    kind: Literal["dotted_service_pack"]


class RevisionLetters(Strict):
    """Rev A to Z, then AA: shorter is older."""

    kind: Literal["revision_letters"]


class Pattern(Strict):
    """A regular expression with named groups, compared in the order of `order`."""

    kind: Literal["pattern"]
    pattern: Annotated[str, Field(min_length=1, max_length=limits.VERSION_PATTERN_MAX)]
    order: Annotated[tuple[Name, ...], Field(min_length=1, max_length=8, strict=False)]


VersionScheme: TypeAlias = Annotated[
    Dotted | DottedServicePack | RevisionLetters | Pattern, Field(discriminator="kind")
]


class Versions(Strict):
    """from: the oldest that fits; below: the first that no longer does. Under the map's scheme."""

    from_: Line | None = Field(default=None, alias="from")
    below: Line | None = None


class Fits(Strict):
    """What this map is for. Patterns take * and ?. An empty list: any."""

    vendors: Many[Line] = ()
    models: Many[Line] = ()
    order_codes: Many[Line] = ()
    versions: Versions | None = None


class Range(Strict):
    """Addresses that may be read, both ends included. over_gaps: also between its fields."""

    table: Table
    first: Address
    last: Address
    over_gaps: bool = False


class LargestRead(Strict):
    registers: ReadCount = limits.REGISTERS_MAX
    bits: Annotated[
        int,
        Field(
            ge=1,
            le=limits.BITS_MAX,
            description="MODBUS Application Protocol V1.1b3, 6.1: one read has at most 2000 bits",
        ),
    ] = limits.BITS_MAX


class RegisterMap(Strict):
    """identity is read first, at addresses that stay put, and chooses among a relay's maps."""

    format: Literal[1]
    map: MapName
    family: Line
    about: str = ""
    fits: Fits = Fits()
    numbering: Literal["zero_based", "one_based"]
    byte_order: ByteOrder = "high_first"
    word_order: WordOrder = "high_first"
    version_scheme: VersionScheme
    identification: Literal["basic", "regular", "extended", "individual"] | None = None
    largest_read: LargestRead = LargestRead()
    ranges: Annotated[Many[Range], Field(max_length=limits.RANGES_MAX)] = ()
    identity: NameplateFields
    nameplate: NameplateFields = NameplateFields()
    components: dict[Name, ComponentFields] = Field(default={}, max_length=limits.COMPONENTS_MAX)
    status: StatusFields = StatusFields()
    flags: dict[Name, FlagMeaning] = Field(default={}, max_length=limits.FIELDS_MAX)

    @property
    def base(self) -> int:
        """Subtract it from an address of this file to get the one on the wire."""
        return 1 if self.numbering == "one_based" else 0


def words(field: object) -> int:
    """How many registers (or bits, in a bit table) a field takes. A composed version: its span."""
    match field:
        case Ascii(registers=n) | Bcd(registers=n) | FlagBits(registers=n):
            return n
        case Number(type=kind) | EpochTime(width=kind):
            return WORDS[kind]
        case BinaryTime():
            return 4
        case VersionParts(parts=parts):
            addresses = [part.address for part in parts]
            return max(addresses) - min(addresses) + 1
        case _:
            return 1
