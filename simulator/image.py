"""What stands in a relay's registers, bits and identification objects, drawn from its values."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from random import Random
from typing import Final, TypeAlias

from poller.model.nameplate import ATTRIBUTES, Nameplate, flat
from poller.model.status import Behaviour, Health
from poller.site.register_map import (
    Ascii,
    Bool,
    Field_,
    FlagBit,
    FlagBits,
    FlagCode,
    FlagMeaning,
    FlagSource,
    IdentificationObject,
    NameplateFields,
    RegisterMap,
    Table,
    VersionParts,
)
from simulator.encoding import ERASED, DoesNotFit, Padding, Value, registers
from simulator.identification import OBJECT_OCTETS_MAX

Fact: TypeAlias = str | int | bool | None
MEANT: Final = FlagMeaning(kind="live", cleared_by="itself", says="as the bit says")
# page 43 of the specification: these three are mandatory
MANDATORY: Final = {0: "vendor", 1: "model", 2: "swRev"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """How a relay is, in engineering values. flags: those that stand."""

    health: Health = Health.OK
    behaviour: Behaviour = Behaviour.ON
    flags: frozenset[str] = frozenset()
    setting_group: int = 1
    free_memory_kb: int = 4_096
    stored_records: int = 0
    changed_at: datetime = datetime(2020, 1, 1, tzinfo=UTC)


@dataclass(slots=True)
class Image:
    """tables: zero-based address to value. spans: addresses that may be read, by table.

    ticking: it changes by itself as time passes.
    """

    tables: dict[Table, dict[int, int]] = field(
        default_factory=lambda: {"coil": {}, "discrete": {}, "holding": {}, "input": {}}
    )
    objects: dict[int, bytes] = field(default_factory=dict)
    spans: dict[Table, set[int]] = field(default_factory=dict)
    ticking: bool = False

    def put(self, table: Table, first: int, values: list[int], shared: bool = False) -> None:
        """shared: the register holds other fields as well, so only ones are added."""
        into = self.tables[table]
        for address, value in enumerate(values, first):
            into[address] = into.get(address, 0) | value if shared else value


def draw(
    layout: RegisterMap,
    nameplate: Nameplate,
    condition: Condition,
    *,
    padding: Padding,
    uptime_s: int,
    now: datetime,
    objects: Mapping[int, str],
    nonsense: Random | None,
) -> Image:
    """nonsense: the nameplate is what a boot program shows of it; the rest is right.

    Raises DoesNotFit, naming the attribute.
    """
    image = Image()
    for span in layout.ranges:
        image.spans.setdefault(span.table, set()).update(
            range(span.first - layout.base, span.last - layout.base + 1)
        )
    image.objects = _objects(layout, nameplate, objects)
    texts = flat(nameplate)
    for name, place in nameplate_fields(layout):
        with _naming(name):
            if isinstance(place, IdentificationObject):
                if (text := texts.get(name)) is not None:
                    image.objects[place.object] = _object(text, nonsense)
            else:
                words = registers(place, texts.get(name), layout, padding)
                if nonsense is not None:
                    letters = len(texts.get(name) or "") if isinstance(place, Ascii) else 0
                    words = _unwritten(words, nonsense, letters)
                _put(image, layout, place, words)
    _put_values(image, layout, _still_values(layout, condition))
    tick(image, layout, uptime_s, now)
    for source in layout.status.flags:
        _put_flags(image, layout, source, condition.flags)
    status = layout.status
    image.ticking = status.uptime_s is not None or status.relay_time is not None
    return image


def tick(image: Image, layout: RegisterMap, uptime_s: int, now: datetime) -> None:
    """Puts what changes by itself as time passes; all else stays. Raises DoesNotFit."""
    status = layout.status
    ticking = (("uptime_s", status.uptime_s, uptime_s), ("relay_time", status.relay_time, now))
    _put_values(image, layout, ticking)


def nameplate_fields(layout: RegisterMap) -> Iterator[tuple[str, Field_ | IdentificationObject]]:
    """Every field of the nameplate by its flat name; one that is mapped twice comes twice."""
    for block in (layout.identity, layout.nameplate):
        yield from _of(block)
    for part, fields in layout.components.items():
        for name in ("hwRev", "swRev"):
            if (one := getattr(fields, name)) is not None:
                yield f"components.{part}.{name}", one


def known_flags(layout: RegisterMap) -> frozenset[str]:
    """The flags that the map has a source for."""
    return frozenset(name for source in layout.status.flags for name in _names(source))


def facts(layout: RegisterMap, nameplate: Nameplate, condition: Condition) -> dict[str, Fact]:
    told: dict[str, Fact] = {}
    values = flat(nameplate)
    for name, _ in nameplate_fields(layout):
        told[name] = values.get(name)
    if layout.status.health is not None:
        told["health"] = int(condition.health)
    if layout.status.behaviour is not None:
        told["behaviour"] = int(condition.behaviour)
    for flag in sorted(known_flags(layout)):
        told[f"flag:{flag}"] = flag in condition.flags
    return told


def _of(block: NameplateFields) -> Iterator[tuple[str, Field_ | IdentificationObject]]:
    for name in ATTRIBUTES:
        if (one := getattr(block, name)) is not None:
            yield name, one


def _put_values(
    image: Image, layout: RegisterMap, values: Iterable[tuple[str, Field_ | None, Value]]
) -> None:
    for name, one, value in values:
        if one is not None:
            with _naming(name):
                _put(image, layout, one, registers(one, value, layout))


def _still_values(
    layout: RegisterMap, condition: Condition
) -> tuple[tuple[str, Field_ | None, Value], ...]:
    status = layout.status
    return (
        ("health", status.health, condition.health.name.lower()),
        ("behaviour", status.behaviour, condition.behaviour.name.lower()),
        ("setting_group", status.setting_group, str(condition.setting_group)),
        ("free_memory_kb", status.free_memory_kb, condition.free_memory_kb),
        ("stored_records", status.stored_records, condition.stored_records),
        ("changed_at", status.changed_at, condition.changed_at),
    )


@contextmanager
def _naming(name: str) -> Iterator[None]:
    try:
        yield
    except DoesNotFit as why:
        raise DoesNotFit(f"{name}: {why}") from None


def _put(image: Image, layout: RegisterMap, place: Field_, words: list[int]) -> None:
    if isinstance(place, VersionParts):  # what lies between its parts is not its own
        first = min(part.address for part in place.parts)
        for address in {part.address for part in place.parts}:
            image.put(place.table, address - layout.base, [words[address - first]])
        return
    shared = isinstance(place, Bool) and place.bit is not None
    image.put(place.table, place.address - layout.base, words, shared=shared)


def _unwritten(words: list[int], random: Random, letters: int) -> list[int]:
    """Flash memory half way through an update: erased, or written up to some letter of a text."""
    cut = random.randrange((letters + 1) // 2) if letters else 0
    return words[:cut] + [ERASED] * (len(words) - cut)


def _object(text: str, nonsense: Random | None) -> bytes:
    octets = text.encode("utf-8")
    if len(octets) > OBJECT_OCTETS_MAX:
        raise DoesNotFit(f"{len(octets)} octets, an object holds {OBJECT_OCTETS_MAX}")
    if nonsense is None:
        return octets
    cut = nonsense.randrange(max(1, len(octets)))
    return octets[:cut] + b"\xff" * (len(octets) - cut)


def _objects(
    layout: RegisterMap, nameplate: Nameplate, more: Mapping[int, str]
) -> dict[int, bytes]:
    """Empty where the relay has no identification at all."""
    if layout.identification is None and not more:
        return {}
    texts = flat(nameplate)
    found = {number: texts.get(name, "") for number, name in MANDATORY.items()}
    return {number: _object(text, None) for number, text in (found | dict(more)).items()}


def _names(source: FlagSource) -> frozenset[str]:
    match source:
        case FlagBits(bits=bits):
            return frozenset(bits.values())
        case FlagCode(codes=codes):
            return frozenset(name for names in codes.values() for name in names)
        case FlagBit(flag=name):
            return frozenset([name])


def _put_flags(
    image: Image, layout: RegisterMap, source: FlagSource, standing: frozenset[str]
) -> None:
    def is_one(name: str) -> bool:
        return (name in standing) == (layout.flags.get(name, MEANT).active == "one")

    at = source.address - layout.base
    match source:
        case FlagBits(registers=count, bits=bits):
            words = [0] * count
            for bit, name in bits.items():
                words[bit // 16] |= is_one(name) << bit % 16
            image.put(source.table, at, words, shared=True)
        case FlagBit(flag=name, bit=bit):
            image.put(source.table, at, [is_one(name) << (bit or 0)], shared=bit is not None)
        case FlagCode(codes=codes):
            own = standing & _names(source)
            for code, names in codes.items():
                if frozenset(names) == own:  # a code names what stands, whatever its polarity
                    image.put(source.table, at, [code])
                    return
            said = ", ".join(sorted(own)) or "none"
            raise DoesNotFit(f"flags: no code stands for {said} together")
