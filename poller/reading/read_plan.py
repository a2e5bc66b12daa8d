"""Which requests cover a map's fields, fewest first, and what a compiled map offers the poll.

A request stays inside one readable range, splits no field, and reads over a gap between fields only
where the range allows it.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from itertools import groupby
from typing import Final

from poller.reading.exchange import reply_octets
from poller.reading.frames import Request, read
from poller.reading.identification import Kind
from poller.site.register_map import (
    BIT_TABLES,
    IdentificationObject,
    LargestRead,
    Number,
    Place,
    Range,
    RegisterMap,
    Table,
    VersionParts,
    words,
)

NUMBER_FORMAT: Final = {
    "u16": "H", "i16": "h", "u32": "I", "i32": "i", "u64": "Q", "i64": "q", "f32": "f", "f64": "d",
}  # fmt: skip

HEAD: Final = 2  # octets of a reply before its values: function code and count
SECONDS_END: Final = 2**63  # what no relay has been up for, and no event has room for


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """One field on the wire: zero-based address, registers or bits. Never split over two reads."""

    table: Table
    address: int
    count: int
    name: str
    ticking: bool = False

    @property
    def end(self) -> int:
        return self.address + self.count

    @property
    def place(self) -> tuple[int, int]:
        return self.address, self.count


def plan(
    spans: Iterable[Span], ranges: Sequence[Range], largest: LargestRead, *, base: int = 0
) -> tuple[Request, ...]:
    """The fewest requests that read every span. ranges: as in the map, numbered from base.

    Greedy over spans sorted by address: a request takes all that still fits. Spans may overlap;
    what a request covers is an interval, so the greedy choice is the best one.
    Raises ValueError for a span in no range or over the largest read: the map's check tells first.
    """
    requests: list[Request] = []
    tables = sorted({span.table for span in spans})
    for table in tables:
        most = largest.bits if table in BIT_TABLES else largest.registers
        own = sorted(
            (span for span in spans if span.table == table),
            key=lambda span: (span.address, span.end),
        )
        for readable, members in _by_range(own, ranges, base):
            requests += _cover(table, members, most, readable.over_gaps)
    return tuple(requests)


def _by_range(
    spans: Sequence[Span], ranges: Sequence[Range], base: int
) -> list[tuple[Range, list[Span]]]:
    found: dict[int, list[Span]] = {}
    for span in spans:
        at = next(
            (
                number
                for number, one in enumerate(ranges)
                if one.table == span.table
                and one.first - base <= span.address
                and span.end - 1 <= one.last - base
            ),
            None,
        )
        if at is None:
            raise ValueError(f"{span.name}: outside every readable range")
        found.setdefault(at, []).append(span)
    return [(ranges[at], members) for at, members in found.items()]


def _cover(table: Table, spans: Sequence[Span], most: int, over_gaps: bool) -> list[Request]:
    requests: list[Request] = []
    start, end = spans[0].address, spans[0].address
    for span in spans:
        if span.count > most:
            raise ValueError(f"{span.name}: {span.count} are more than one read of {most}")
        joins = over_gaps or span.address <= end
        if not joins or span.end - start > most:
            requests.append(read(table, start, end - start))
            start = end = span.address
        end = max(end, span.end)
    requests.append(read(table, start, end - start))
    return requests


@dataclass(frozen=True, slots=True, kw_only=True)
class Uptime:
    """Where the uptime lies in the replies of a pass, and how to read it at once."""

    reply: int
    octet: int
    form: struct.Struct
    low_word_first: bool
    scale: float  # what one count stands for
    offset: float

    def read(self, pdu: bytes) -> int | None:
        at = self.octet
        if self.low_word_first:
            raw = pdu[at : at + self.form.size]
            pdu, at = b"".join(raw[i : i + 2] for i in range(len(raw) - 2, -1, -2)), 0
        value = self.form.unpack_from(pdu, at)[0] * self.scale + self.offset
        return int(value) if 0 <= value < SECONDS_END else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Pass:
    """Requests made together. stills: for each request the octets of its reply that not only time
    moves.

    identification: how FC 43/14 is asked and for which objects; None where the map needs none.
    """

    requests: tuple[Request, ...]
    spans: tuple[Span, ...]
    identification: tuple[Kind, frozenset[int]] | None
    uptime_span: Span | None = None
    uptime_field: Number | None = None
    low_word_first: bool = False
    stills: tuple[struct.Struct, ...] = field(init=False, compare=False, repr=False)
    uptime_place: Uptime | None = field(init=False, compare=False, repr=False)

    def __post_init__(self) -> None:
        stills = tuple(_still(request, self.spans) for request in self.requests)
        object.__setattr__(self, "stills", stills)
        object.__setattr__(self, "uptime_place", self._find_uptime())

    def still(self, index: int, pdu: bytes) -> tuple[bytes, ...]:
        """The reply without what ticks: equal twice, nothing but time has passed. Of a reply that
        has another length than was asked for, nothing."""
        form = self.stills[index]
        return form.unpack(pdu) if len(pdu) == form.size else ()

    def uptime(self, replies: Sequence[bytes | None]) -> int | None:
        """Seconds; None where the map tells none or its block was not read."""
        if self.uptime_place is None:
            return None
        pdu = replies[self.uptime_place.reply]
        return None if pdu is None else self.uptime_place.read(pdu)

    def split(self, index: int) -> Pass:
        """That request replaced by one for each field; the same pass where it can't be split."""
        request = self.requests[index]
        assert request.table is not None, "an identification is never in requests"
        inside = sorted({span.place for span in self.spans if _covers(request, span)})
        fields = [read(request.table, address, count) for address, count in inside]
        single = tuple(one for one in fields if not any(_within(one, other) for other in fields))
        if single == (request,):
            return self
        requests = self.requests[:index] + single + self.requests[index + 1 :]
        return replace(self, requests=requests)

    def _find_uptime(self) -> Uptime | None:
        span, number = self.uptime_span, self.uptime_field
        if span is None or number is None:
            return None
        for index, request in enumerate(self.requests):
            if _covers(request, span):
                return Uptime(
                    reply=index,
                    octet=HEAD + 2 * (span.address - request.address),
                    form=struct.Struct(">" + NUMBER_FORMAT[number.type]),
                    low_word_first=self.low_word_first,
                    scale=number.scale,
                    offset=number.offset,
                )
        return None


def _covers(request: Request, span: Span) -> bool:
    return (
        request.table == span.table
        and request.address <= span.address
        and span.end <= request.address + request.count
    )


def _within(one: Request, other: Request) -> bool:
    """one lies in the larger other, which reads it already."""
    return (
        one.count < other.count
        and other.address <= one.address
        and one.address + one.count <= other.address + other.count
    )


def _still(request: Request, spans: Sequence[Span]) -> struct.Struct:
    """Takes a reply without the octets that tick; bits never tick.

    An octet that a field which does not tick lies in as well is left in.
    """
    octets: dict[bool, set[int]] = {True: set(), False: set()}
    if request.table not in BIT_TABLES:
        for span in spans:
            if _covers(request, span):
                first = HEAD + 2 * (span.address - request.address)
                octets[span.ticking] |= set(range(first, first + 2 * span.count))
    ticking = octets[True] - octets[False]
    all_of_it = range(HEAD + reply_octets(request))
    runs = ((ticks, len(list(run))) for ticks, run in groupby(all_of_it, ticking.__contains__))
    return struct.Struct("".join(f"{count}{'x' if ticks else 's'}" for ticks, count in runs))


@dataclass(frozen=True, slots=True, kw_only=True)
class CompiledMap:
    """A map with its passes made. covers: the nameplate attributes it can tell, by flat name."""

    map: RegisterMap
    identity: Pass
    nameplate: Pass
    status: Pass
    covers: frozenset[str]


def compile_map(one: RegisterMap) -> CompiledMap:
    """Makes the requests of a map. The map has no faults: load_map has checked it."""
    identity = _fields(one.identity)
    parts = {
        f"components.{name}.{key}": value
        for name, component in one.components.items()
        for key, value in _fields(component).items()
    }
    nameplate = _fields(one.nameplate) | parts
    status: dict[str, object] = _fields(one.status)
    status |= {f"flags[{at}]": source for at, source in enumerate(one.status.flags)}
    status.pop("flags", None)
    uptime = one.status.uptime_s
    return CompiledMap(
        map=one,
        identity=_pass(one, identity),
        nameplate=_pass(one, nameplate),
        status=_pass(one, status, uptime),
        covers=frozenset(identity.keys() | nameplate.keys()),
    )


def _fields(model: object) -> dict[str, object]:
    names = type(model).model_fields  # type: ignore[attr-defined]
    return {name: value for name in names if (value := getattr(model, name)) is not None}


def _pass(one: RegisterMap, fields: dict[str, object], uptime: Number | None = None) -> Pass:
    spans = tuple(
        span_of(one, name, value) for name, value in fields.items() if isinstance(value, Place)
    )
    objects = frozenset(
        value.object for value in fields.values() if isinstance(value, IdentificationObject)
    )
    identification: tuple[Kind, frozenset[int]] | None = None
    if objects and one.identification is not None:
        identification = (one.identification, objects)
    return Pass(
        requests=plan(spans, one.ranges, one.largest_read, base=one.base),
        spans=spans,
        identification=identification,
        uptime_span=span_of(one, "uptime_s", uptime) if uptime is not None else None,
        uptime_field=uptime,
        low_word_first=uptime is not None and (uptime.word_order or one.word_order) == "low_first",
    )


def span_of(one: RegisterMap, name: str, value: Place) -> Span:
    """Where a field lies on the wire."""
    first = (
        min(part.address for part in value.parts)
        if isinstance(value, VersionParts)
        else value.address
    )
    return Span(
        table=value.table,
        address=first - one.base,
        count=words(value),
        name=name,
        ticking=value.ticking,
    )
