"""What the schemas of all files of a site say they must keep to, as readable rows."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from poller.site.advisory_families import AdvisoryFamilies
from poller.site.alarm_catalogue import Catalogue
from poller.site.approved import Approved
from poller.site.register_map import RegisterMap
from poller.site.settings import SiteFile

RANGES = (
    ("minimum", "maximum", "{}..{}"),
    ("minLength", "maxLength", "{}..{} characters"),
    ("minItems", "maxItems", "{}..{} entries"),
    ("minProperties", "maxProperties", "{}..{} keys"),
)


def rows() -> list[str]:
    """`RelayEntry.port 1..65535`, `RelayEntry needs id ...`; sorted, each once."""
    found: set[str] = set()
    for model in (SiteFile, RegisterMap, Approved, Catalogue, AdvisoryFamilies):
        schema = model.model_json_schema(by_alias=True)
        classes = {model.__name__: schema, **schema.get("$defs", {})}
        for name, one in classes.items():
            if one.get("required"):
                found.add(f"{name} needs {' '.join(sorted(one['required']))}")
            if one.get("additionalProperties") is not False:
                found.add(f"{name} takes any key")
            for key, value in one.get("properties", {}).items():
                found |= {f"{name}.{key} {said}" for said in _said(value)}
    return sorted(found)


def _said(value: dict[str, Any]) -> Iterator[str]:
    """Every restriction of a value, and of what lies in it."""
    for low, high, form in RANGES:
        if low in value or high in value:
            yield form.format(_number(value.get(low, "")), _number(value.get(high, "")))
    if "pattern" in value:
        yield f"spelled {value['pattern']}"
    if "const" in value or "enum" in value:
        yield "one of " + " ".join(str(word) for word in value.get("enum", [value.get("const")]))
    for inside in (*value.get("anyOf", ()), *value.get("oneOf", ())):
        yield from _said(inside)
    for key, word in (
        ("items", "each"),
        ("propertyNames", "key"),
        ("additionalProperties", "each"),
    ):
        if isinstance(value.get(key), dict):
            yield from (f"{word} {said}" for said in _said(value[key]))


def _number(bound: Any) -> Any:
    return int(bound) if isinstance(bound, float) and bound.is_integer() else bound
