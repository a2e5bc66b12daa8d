"""Nameplates for relays that nobody described: from a table, else something the map can carry."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from random import Random
from typing import Final

from poller.model.nameplate import Nameplate, from_flat
from poller.site.register_map import (
    Ascii,
    Bcd,
    Enumerated,
    Field_,
    IdentificationObject,
    RegisterMap,
    VersionParts,
)
from simulator.encoding import DoesNotFit, registers
from simulator.image import nameplate_fields

INVENTED: Final = {"vendor": "Invented Relays", "location": "Bench", "orderCode": "SIM-1"}


def draw_nameplate(
    layout: RegisterMap, table: Mapping[str, tuple[str, ...]], random: Random, number: int
) -> Nameplate:
    """One of a fleet. table: what to draw from, by flat name; {n} is the number, {n:05} padded.

    number: another one for each relay, so that no serial number comes twice. Attributes that the
    table leaves out get the first text that their field can carry.
    """
    values: dict[str, str | None] = {}
    for name, place in nameplate_fields(layout):
        if name in table:
            values[name] = numbered(random.choice(table[name]), number)
        elif name not in values:
            values[name] = next(_carried(layout, name, place, number), None)
    return from_flat(values)


def numbered(text: str, number: int) -> str:
    """{n} and {n:05} give way to the number, plain or padded; any other brace stays."""
    return re.sub(
        r"\{n(?::0?(\d{1,2}))?\}", lambda found: str(number).zfill(int(found[1] or 0)), text
    )


def _carried(
    layout: RegisterMap, name: str, place: Field_ | IdentificationObject, number: int
) -> Iterator[str]:
    for text in _wishes(layout, name, place, number):
        if isinstance(place, IdentificationObject):
            yield text
            continue
        try:
            registers(place, text, layout)
        except DoesNotFit:
            continue
        yield text


def _wishes(
    layout: RegisterMap, name: str, place: Field_ | IdentificationObject, number: int
) -> Iterator[str]:
    """Best first."""
    fits = layout.fits
    if name == "serNum":
        if isinstance(place, Bcd):
            yield str(number).zfill(place.digits or place.registers * 4)
        yield from (f"SIM{number:06}", f"{number:08}", f"{number:06}", str(number))
    patterns = {"vendor": fits.vendors, "model": fits.models, "orderCode": fits.order_codes}
    for pattern in patterns.get(name, ()):
        yield pattern.replace("*", "1").replace("?", "1")
    if name == "swRev" and fits.versions is not None and fits.versions.from_ is not None:
        yield fits.versions.from_
    if isinstance(place, VersionParts):
        yield place.pattern.format(*range(1, len(place.parts) + 1))
    if isinstance(place, Enumerated):
        yield from place.names.values()
    if isinstance(place, Bcd):
        yield "1".zfill(place.digits or place.registers * 4)
    if isinstance(place, Ascii | IdentificationObject):
        yield from (INVENTED[name],) if name in INVENTED else ()
        yield from ("1.0.0", "1.0", "A")
    yield from ("1", "True", "2020-01-01T00:00:00.000Z")
