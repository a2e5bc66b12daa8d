"""What a relay says it is: the attributes of IEC 61850-7-3 DPL and LPL, and ours.

Absent is None, never empty text. Everything is text, as the relay or its map spells it.
Source of the names: IEC code components, NSD 61850-7-3 2007B5.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

STANDARD: Final = (
    "vendor",
    "model",
    "serNum",
    "hwRev",
    "swRev",
    "configRev",
    "paramRev",
    "location",
)
EXTENSIONS: Final = ("orderCode", "settingsId")
ATTRIBUTES: Final = STANDARD + EXTENSIONS


@dataclass(frozen=True, slots=True, kw_only=True)
class Component:
    """A part with firmware of its own: boot, communication card, logic."""

    name: str
    hwRev: str | None = None
    swRev: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Nameplate:
    vendor: str | None = None
    model: str | None = None
    serNum: str | None = None
    hwRev: str | None = None
    swRev: str | None = None
    configRev: str | None = None
    paramRev: str | None = None
    location: str | None = None
    orderCode: str | None = None
    settingsId: str | None = None
    components: tuple[Component, ...] = ()  # sorted by name


def flat(nameplate: Nameplate) -> dict[str, str]:
    """Attributes that are present, by name: swRev, components.boot.swRev."""
    values = {name: value for name in ATTRIBUTES if (value := getattr(nameplate, name)) is not None}
    for part in nameplate.components:
        for name in ("hwRev", "swRev"):
            if (value := getattr(part, name)) is not None:
                values[f"components.{part.name}.{name}"] = value
    return values


def from_flat(values: Mapping[str, str | None]) -> Nameplate:
    """The opposite of flat; names as there."""
    parts: dict[str, dict[str, str | None]] = {}
    own: dict[str, str | None] = {}
    for name, value in values.items():
        if name.startswith("components."):
            _, part, attribute = name.split(".", 2)
            parts.setdefault(part, {})[attribute] = value
        else:
            own[name] = value
    components = tuple(Component(name=name, **parts[name]) for name in sorted(parts))
    return Nameplate(**own, components=components)


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    attribute: str
    before: str | None
    after: str | None


def differences(before: Nameplate, after: Nameplate) -> tuple[Difference, ...]:
    """Attributes whose text differs, in the order of their names."""
    old, new = flat(before), flat(after)
    return tuple(
        Difference(attribute=name, before=old.get(name), after=new.get(name))
        for name in sorted(old.keys() | new.keys())
        if old.get(name) != new.get(name)
    )
