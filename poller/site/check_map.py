"""What a register map must hold together, beyond the type of each key. One function a rule."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from string import Formatter
from typing import Any, Final

from poller.model import version_pattern
from poller.model.firmware_version import readable
from poller.model.problems import Problem
from poller.site.register_map import (
    BIT_TABLES,
    Ascii,
    Bcd,
    Bool,
    Enumerated,
    FlagBit,
    FlagBits,
    FlagCode,
    IdentificationObject,
    Pattern,
    Place,
    Range,
    RegisterMap,
    VersionParts,
    words,
)
from poller.site.yaml_lines import Lined, Path

HEALTH_WORDS: Final = ("ok", "warning", "alarm")
BEHAVIOUR_WORDS: Final = ("on", "blocked", "test", "test_blocked", "off")


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    path: Path
    code: str
    what: str
    mend: str


Rule = Callable[[RegisterMap], Iterator[Fault]]


def check_map(one: RegisterMap, source: Lined, file: str) -> list[Problem]:
    """Every fault that the rules find. source: for the lines."""
    return [
        Problem(
            code=fault.code,
            file=file,
            line=source.line(fault.path),
            at=".".join(str(step) for step in fault.path),
            what=fault.what,
            mend=fault.mend,
        )
        for rule in RULES
        for fault in rule(one)
    ]


def fields(one: RegisterMap) -> Iterator[tuple[Path, Any]]:
    """Every field with its path in the file."""
    for section in ("identity", "nameplate"):
        yield from _of(getattr(one, section), (section,))
    for name, component in one.components.items():
        yield from _of(component, ("components", name))
    for name in type(one.status).model_fields:
        value = getattr(one.status, name)
        if name != "flags" and value is not None:
            yield ("status", name), value
    for at, source in enumerate(one.status.flags):
        yield ("status", "flags", at), source


def _of(model: Any, path: Path) -> Iterator[tuple[Path, Any]]:
    for name in type(model).model_fields:
        value = getattr(model, name)
        if value is not None:
            yield (*path, name), value


def _places(one: RegisterMap) -> Iterator[tuple[Path, Place, int, int]]:
    """Fields in tables: path, field, first address as in the file, and how many."""
    for path, field in fields(one):
        if isinstance(field, Place):
            first = field.address
            if isinstance(field, VersionParts):
                first = min(part.address for part in field.parts)
            yield path, field, first, words(field)


def _inside_ranges(one: RegisterMap) -> Iterator[Fault]:
    for path, field, first, count in _places(one):
        last = first + count - 1
        if not any(
            r.table == field.table and r.first <= first and last <= r.last for r in one.ranges
        ):
            yield Fault(
                path=path,
                code="map-field-outside-ranges",
                what=f"{field.table} {first} to {last} is in no readable range",
                mend="correct the address, or add the range if the relay allows reading it",
            )


def _one_read(one: RegisterMap) -> Iterator[Fault]:
    for path, field, _, count in _places(one):
        most = one.largest_read.bits if field.table in BIT_TABLES else one.largest_read.registers
        if count > most:
            yield Fault(
                path=path,
                code="map-field-too-long",
                what=f"it takes {count}, one read takes {most}; a field is never split",
                mend="raise largest_read if the relay allows it, or shorten the field",
            )


def _addresses(one: RegisterMap) -> Iterator[Fault]:
    lowest, highest = one.base, 65_535 + one.base
    for path, _, first, count in _places(one):
        if first < lowest or first + count - 1 > highest:
            yield Fault(
                path=path,
                code="map-address",
                what=f"address {first} is not {lowest} to {highest} in a {one.numbering} map",
                mend="correct it, or correct numbering",
            )
    for at, readable_range in enumerate(one.ranges):
        if readable_range.first < lowest or readable_range.last > highest:
            yield Fault(
                path=("ranges", at),
                code="map-address",
                what=f"the range is not within {lowest} to {highest} in a {one.numbering} map",
                mend="correct it, or correct numbering",
            )


def _ranges(one: RegisterMap) -> Iterator[Fault]:
    for at, readable_range in enumerate(one.ranges):
        if readable_range.first > readable_range.last:
            yield Fault(
                path=("ranges", at),
                code="map-range-backwards",
                what=f"first {readable_range.first} is above last {readable_range.last}",
                mend="swap them",
            )


def _ranges_apart(one: RegisterMap) -> Iterator[Fault]:
    def order(numbered: tuple[int, Range]) -> tuple[str, int]:
        return numbered[1].table, numbered[1].first

    for (_, before), (at, after) in pairwise(sorted(enumerate(one.ranges), key=order)):
        if before.table == after.table and after.first <= before.last:
            yield Fault(
                path=("ranges", at),
                code="map-ranges-overlap",
                what=f"{after.table} {after.first} lies in the range {before.first} to "
                f"{before.last} too",
                mend="join the two, or part them",
            )


def _read_effect(one: RegisterMap) -> Iterator[Fault]:
    for path, field, _, _ in _places(one):
        if field.read_effect:
            yield Fault(
                path=(*path, "read_effect"),
                code="map-read-effect",
                what="reading this field changes something in the relay",
                mend="leave it out: Bayroll only reads what reading does not change",
            )


def _ticking(one: RegisterMap) -> Iterator[Fault]:
    for path, field, _, _ in _places(one):
        if field.ticking and (path[0] != "status" or "flags" in path):
            yield Fault(
                path=(*path, "ticking"),
                code="map-ticking",
                what="only numbers of the status tick; this one would never tell a change",
                mend="take ticking out",
            )


def _tables(one: RegisterMap) -> Iterator[Fault]:
    for path, field, _, _ in _places(one):
        of_bits = isinstance(field, (Bool, FlagBit))
        if field.table in BIT_TABLES and not of_bits:
            yield Fault(
                path=(*path, "type"),
                code="map-table-type",
                what=f"a {field.table} holds one bit, not {getattr(field, 'type', 'this')}",
                mend="use type: bool, or a table of registers",
            )
        elif of_bits and field.table in BIT_TABLES and field.bit is not None:  # type: ignore[attr-defined]
            yield Fault(
                path=(*path, "bit"),
                code="map-table-type",
                what=f"a {field.table} is one bit; it has no bit to choose",
                mend="take bit out",
            )
        elif of_bits and field.table not in BIT_TABLES and field.bit is None:  # type: ignore[attr-defined]
            yield Fault(
                path=path,
                code="map-table-type",
                what=f"a {field.table} register has 16 bits and none is chosen",
                mend="add bit: 0 to 15",
            )


def _lengths(one: RegisterMap) -> Iterator[Fault]:
    for path, field in fields(one):
        held = 2 if isinstance(field, Ascii) else 4 if isinstance(field, Bcd) else None
        kept = field.length if isinstance(field, Ascii) else getattr(field, "digits", None)
        if held is not None and kept is not None and kept > held * field.registers:
            name = "length" if isinstance(field, Ascii) else "digits"
            unit = "characters" if isinstance(field, Ascii) else "digits"
            yield Fault(
                path=(*path, name),
                code="map-length",
                what=f"{field.registers} registers hold {held * field.registers} {unit}, "
                f"{name} says {kept}",
                mend=f"set {name}: {held * field.registers}, or registers: {-(-kept // held)}",
            )


def _identification(one: RegisterMap) -> Iterator[Fault]:
    objects = [path for path, field in fields(one) if isinstance(field, IdentificationObject)]
    if objects and one.identification is None:
        yield Fault(
            path=objects[0],
            code="map-identification",
            what="an identification object is named, and not how to ask for it",
            mend="add identification: basic, regular, extended or individual",
        )
    if not objects and one.identification is not None:
        yield Fault(
            path=("identification",),
            code="map-identification",
            what="identification is set and no field names an object",
            mend="take it out, or name an object",
        )


def _identity(one: RegisterMap) -> Iterator[Fault]:
    if not any(
        getattr(one.identity, name) is not None
        for name in ("vendor", "model", "orderCode", "swRev")
    ):
        yield Fault(
            path=("identity",),
            code="map-identity",
            what="the identity has none of vendor, model, orderCode and swRev",
            mend="add what tells this family and its firmware apart",
        )


def _fits(one: RegisterMap) -> Iterator[Fault]:
    asked = {
        "vendors": ("vendor", one.fits.vendors),
        "models": ("model", one.fits.models),
        "order_codes": ("orderCode", one.fits.order_codes),
        "versions": ("swRev", one.fits.versions),
    }
    for key, (attribute, wanted) in asked.items():
        if wanted and getattr(one.identity, attribute) is None:
            yield Fault(
                path=("fits", key),
                code="map-fits",
                what=f"it chooses by {attribute}, which the identity does not read",
                mend=f"add {attribute} to identity, or take {key} out",
            )


def _twice(one: RegisterMap) -> Iterator[Fault]:
    for name in type(one.identity).model_fields:
        if getattr(one.identity, name) is not None and getattr(one.nameplate, name) is not None:
            yield Fault(
                path=("nameplate", name),
                code="map-field-twice",
                what=f"{name} stands in identity already",
                mend="keep it in one of the two",
            )


def _words_of_status(one: RegisterMap) -> Iterator[Fault]:
    for name, allowed in (("health", HEALTH_WORDS), ("behaviour", BEHAVIOUR_WORDS)):
        field = getattr(one.status, name)
        for code, word in field.names.items() if isinstance(field, Enumerated) else ():
            if word not in allowed:
                yield Fault(
                    path=("status", name, "names", code),
                    code="map-status-word",
                    what=f"{word!r} is no {name}",
                    mend=f"use one of: {', '.join(allowed)}",
                )


def _flag_meanings(one: RegisterMap) -> Iterator[Fault]:
    sourced: dict[str, int] = {}
    for at, source in enumerate(one.status.flags):
        for flag in sorted(_flags_of(source)):
            if flag in sourced and sourced[flag] != at:
                yield Fault(
                    path=("status", "flags", at),
                    code="map-flag-twice",
                    what=f"{flag} has two sources",
                    mend="keep one; two bits that mean the same need two names",
                )
            sourced.setdefault(flag, at)
            if flag not in one.flags:
                yield Fault(
                    path=("status", "flags", at),
                    code="map-flag-unexplained",
                    what=f"{flag} has no entry under flags",
                    mend=f"add flags.{flag} with kind, cleared_by and says",
                )
    for flag in sorted(one.flags.keys() - sourced.keys()):
        yield Fault(
            path=("flags", flag),
            code="map-flag-unsourced",
            what=f"nothing under status.flags tells {flag}",
            mend="add its bit or code, or take it out",
        )


def _flags_of(source: FlagBits | FlagCode | FlagBit) -> set[str]:
    match source:
        case FlagBits(bits=bits):
            return set(bits.values())
        case FlagCode(codes=codes):
            return {flag for flags in codes.values() for flag in flags}
        case FlagBit(flag=flag):
            return {flag}


def _flag_bits(one: RegisterMap) -> Iterator[Fault]:
    for at, source in enumerate(one.status.flags):
        if isinstance(source, FlagBits):
            for bit in source.bits:
                if bit >= 16 * source.registers:
                    yield Fault(
                        path=("status", "flags", at, "bits", bit),
                        code="map-flag-bit",
                        what=f"bit {bit} is beyond {source.registers} register(s)",
                        mend=f"bits are 0 to {16 * source.registers - 1}; or add registers:",
                    )


def _version_patterns(one: RegisterMap) -> Iterator[Fault]:
    for path, field in fields(one):
        if isinstance(field, VersionParts):
            wrong = _wrong_placeholders(field)
            if wrong is not None:
                yield Fault(
                    path=(*path, "pattern"),
                    code="map-version-pattern",
                    what=wrong,
                    mend=f'name each part once, as in "{{0}}.{{1:02}}"; there are '
                    f"{len(field.parts)}",
                )
            lowest = min(part.address for part in field.parts)
            if field.address != lowest:
                yield Fault(
                    path=(*path, "address"),
                    code="map-version-address",
                    what=f"address {field.address} is not that of the lowest part, {lowest}",
                    mend=f"set address: {lowest}",
                )


def _wrong_placeholders(field: VersionParts) -> str | None:
    try:
        named = [name for _, name, _, _ in Formatter().parse(field.pattern) if name is not None]
        field.pattern.format(*range(len(field.parts)))
    except (ValueError, IndexError, KeyError, AttributeError, TypeError) as reason:
        return f"the pattern does not compose: {reason}"
    if sorted(named) != sorted(str(at) for at in range(len(field.parts))):
        return f"the pattern names {', '.join(named) or 'no part'}"
    return None


def _scheme(one: RegisterMap) -> Iterator[Fault]:
    scheme = one.version_scheme
    if isinstance(scheme, Pattern):
        for fault in version_pattern.faults(scheme.pattern, scheme.order):
            yield Fault(
                path=("version_scheme", "pattern"),
                code="map-scheme-pattern",
                what=fault,
                mend="keep it short, with one named group for each name in order",
            )


def _bounds(one: RegisterMap) -> Iterator[Fault]:
    versions = one.fits.versions
    if versions is None or list(_scheme(one)):
        return
    for name, text in (("from", versions.from_), ("below", versions.below)):
        if text is not None and not readable(text, one.version_scheme):
            yield Fault(
                path=("fits", "versions", name),
                code="map-version-unreadable",
                what=f"{text!r} can't be read under {one.version_scheme.kind}",
                mend="spell it as the relay does, or choose the scheme that fits",
            )


def _scales(one: RegisterMap) -> Iterator[Fault]:
    for path, field in fields(one):
        if getattr(field, "scale", 1) == 0:
            yield Fault(
                path=(*path, "scale"),
                code="map-scale",
                what="a scale of 0 makes every value the same",
                mend="leave scale out, or give what one step of the raw value is worth",
            )


RULES: tuple[Rule, ...] = (
    _inside_ranges,
    _one_read,
    _addresses,
    _ranges,
    _ranges_apart,
    _read_effect,
    _ticking,
    _tables,
    _lengths,
    _identification,
    _identity,
    _fits,
    _twice,
    _words_of_status,
    _flag_meanings,
    _flag_bits,
    _version_patterns,
    _scheme,
    _bounds,
    _scales,
)
