"""Where a map's fields lie: readable ranges, largest read, tables, addresses and lengths."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from poller.model import limits
from poller.site.faults import Check, Fault
from poller.site.fields import fields, places
from poller.site.register_map import (
    BIT_TABLES,
    Ascii,
    Bcd,
    Bool,
    FlagBit,
    Range,
    RegisterMap,
)


def _inside_ranges(one: RegisterMap) -> Iterator[Fault]:
    for path, field, first, count in places(one):
        last = first + count - 1
        if not any(
            r.table == field.table and r.first <= first and last <= r.last for r in one.ranges
        ):
            yield Fault(
                path=path,
                code="map-field-outside-ranges",
                what=f"{field.table} {_span(first, last)} is in no readable range",
                mend="correct the address, or add the range if the relay allows reading it",
            )


def _span(first: int, last: int) -> str:
    return str(first) if first == last else f"{first} to {last}"


def _one_read(one: RegisterMap) -> Iterator[Fault]:
    for path, field, _, count in places(one):
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
    for path, _, first, count in places(one):
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

    widest: Range | None = None  # of those before, the one that reaches furthest
    for at, after in sorted(enumerate(one.ranges), key=order):
        apart = widest is None or widest.table != after.table or widest.last < after.first
        if widest is not None and not apart:
            yield Fault(
                path=("ranges", at),
                code="map-ranges-overlap",
                what=f"{after.table} {after.first} lies in the range {widest.first} to "
                f"{widest.last} too",
                mend="join the two, or part them",
            )
        if widest is None or apart or widest.last < after.last:
            widest = after


def _read_effect(one: RegisterMap) -> Iterator[Fault]:
    for path, field, _, _ in places(one):
        if field.read_effect:
            yield Fault(
                path=(*path, "read_effect"),
                code="map-read-effect",
                what="reading this field changes something in the relay",
                mend="leave it out: Bayroll only reads what reading does not change",
            )


def _ticking(one: RegisterMap) -> Iterator[Fault]:
    for path, field, _, _ in places(one):
        if field.ticking and (path[0] != "status" or "flags" in path):
            yield Fault(
                path=(*path, "ticking"),
                code="map-ticking",
                what="only numbers of the status tick; this one would never tell a change",
                mend="take ticking out",
            )


def _tables(one: RegisterMap) -> Iterator[Fault]:
    for path, field, _, _ in places(one):
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


def _few_enough(one: RegisterMap) -> Iterator[Fault]:
    count = sum(1 for _ in fields(one))
    if count > limits.FIELDS_MAX:
        yield Fault(
            path=(),
            code="map-too-big",
            what=f"it has {count} fields, a map has at most {limits.FIELDS_MAX}",
            mend="keep those of the nameplate, the status and the flags that somebody looks at",
        )


CHECKS: Final[tuple[Check[RegisterMap], ...]] = (
    Check(_inside_ranges, needs=("ranges",)),
    Check(_one_read),
    Check(_addresses, needs=("numbering",)),
    Check(_ranges),
    Check(_ranges_apart),
    Check(_read_effect),
    Check(_ticking),
    Check(_tables),
    Check(_lengths),
    Check(_few_enough),
)
