"""The fields of a register map, each with its path in the file."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from poller.site.register_map import Place, RegisterMap, VersionParts, words
from poller.site.yaml_lines import Path


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


def places(one: RegisterMap) -> Iterator[tuple[Path, Place, int, int]]:
    """Fields in tables: path, field, first address as in the file, and how many."""
    for path, field in fields(one):
        if isinstance(field, Place):
            first = field.address
            if isinstance(field, VersionParts):
                first = min(part.address for part in field.parts)
            yield path, field, first, words(field)
