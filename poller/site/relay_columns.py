"""The columns of a relay list in a spreadsheet, and how each value stands in a cell.

One column for each key of a relay; an interval of the relay's own has one too. Derived from the
model, so that no key can be forgotten.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from types import UnionType
from typing import Annotated, Any, Final, Union, get_args, get_origin

from pydantic import BaseModel

from poller.site.settings import Intervals, RelayEntry
from poller.site.yaml_lines import FLOAT, INT, Path

HEADINGS: Final = {"id": "relay"}  # where a person in the trade says another word than the file
UNITS: Final = {"_s": " (s)", "_ms": " (ms)"}
TEXTS: Final = ("bay", "function")  # kept as they are, spaces and all; others are trimmed
BOOLEANS: Final = {"yes": True, "true": True, "1": True, "no": False, "false": False, "0": False}
# What a spreadsheet takes for a formula, full-width forms too, and what it passes over before that.
# Source: OWASP, CSV Injection. An apostrophe before makes it text; one that stands there already
# gets another, so that taking one away brings back what was.
FORMULA: Final = re.compile(r"'*(\s*[=+\-@＝＋－＠]|[\t\r\n])")


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """path: of the key in a relay, ("intervals", "status_s"). kinds: plain types of its value."""

    path: Path
    heading: str
    required: bool
    kinds: frozenset[type]


def _kinds(annotation: Any) -> frozenset[type]:
    """The plain types behind Annotated, `| None` and tuple."""
    origin = get_origin(annotation)
    if origin is Annotated:
        return _kinds(get_args(annotation)[0])
    if origin in (Union, UnionType):
        return frozenset().union(*map(_kinds, get_args(annotation)))
    return frozenset({origin or annotation})


def _columns(model: type[BaseModel], at: Path = ()) -> tuple[Column, ...]:
    found: list[Column] = []
    for name, field in model.model_fields.items():
        kinds = _kinds(field.annotation) - {type(None)}
        inner = next((kind for kind in kinds if issubclass(kind, BaseModel)), None)
        if inner is not None:
            found += _columns(inner, (*at, name))
            continue
        required = field.is_required() and not at
        found.append(
            Column(path=(*at, name), heading=_heading(name), required=required, kinds=kinds)
        )
    return tuple(found)


def _heading(name: str) -> str:
    """client slots, status (s)"""
    stem, underscore, unit = name.rpartition("_")
    told = stem + UNITS[f"_{unit}"] if underscore and f"_{unit}" in UNITS else name
    return HEADINGS.get(name, told.replace("_", " "))


COLUMNS: Final = _columns(RelayEntry)
OWN_INTERVALS: Final = frozenset(one for one in COLUMNS if one.path[0] == "intervals")


def same_name(heading: str) -> str:
    """Equal for spellings of one heading: Client Slots, client_slots, CLIENTSLOTS; status (s)."""
    return re.sub(r"[\W_]+", "", unicodedata.normalize("NFKC", heading)).casefold()


BY_NAME: Final = {same_name(one.heading): one for one in COLUMNS} | {"id": COLUMNS[0]}


def cell(column: Column, relay: RelayEntry) -> str:
    """As it is written. "" for an interval that the relay has not of its own."""
    value: Any
    if column in OWN_INTERVALS:
        own = relay.intervals or Intervals()
        name = str(column.path[1])
        value = getattr(own, name) if name in own.model_fields_set else None
    else:
        value = getattr(relay, str(column.path[0]))
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return guarded(" ".join(value) if isinstance(value, tuple) else str(value))


def value(column: Column, written: str) -> Any:
    """A cell as a site file would have it; None for an empty one. What is no value stays text."""
    text = unguarded(written)
    if not text.strip():
        return None
    if column.path[0] in TEXTS:
        return text
    text = text.strip()
    if tuple in column.kinds:
        return re.split(r"[\s,;]+", text.strip(" \t\r\n,;"))
    if bool in column.kinds:
        return BOOLEANS.get(text.casefold(), text)
    if int in column.kinds and INT.fullmatch(text) and len(text) <= DIGITS_MAX:
        return int(text)
    if float in column.kinds and FLOAT.fullmatch(text) and len(text) <= DIGITS_MAX:
        return float(text)
    return text


DIGITS_MAX: Final = 20  # of a number; past it Python itself refuses or takes long


def guarded(text: str) -> str:
    """With an apostrophe before it where a spreadsheet would take it for a formula."""
    return f"'{text}" if FORMULA.match(text) else text


def unguarded(written: str) -> str:
    """The opposite of guarded, for every text."""
    return written[1:] if written.startswith("'") and FORMULA.match(written[1:]) else written
