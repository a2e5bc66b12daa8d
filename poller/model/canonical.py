"""One way from values to bytes and back: canonical JSON, sorted keys, no floats, UTC in ms."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from functools import cache
from types import NoneType
from typing import Annotated, Any, Final, TypeVar

from pydantic import PlainSerializer, TypeAdapter, WithJsonSchema

T = TypeVar("T")


@cache
def adapter(kind: type[T]) -> TypeAdapter[T]:
    """The pydantic reader and writer of a dataclass; made once, since making one is slow."""
    return TypeAdapter(kind)


def plain(value: object) -> Any:
    """A dataclass value as JSON types; times as text by stamp()."""
    kind: Any = type(value)
    return adapter(kind).dump_python(value, mode="json")


def encode(value: object) -> bytes:
    """Canonical JSON of plain JSON types. Raises TypeError for a float, which has two spellings."""
    _refuse_floats(value)
    # half a surrogate pair, as a terminal with odd bytes gives it, is written as JSON's own escape
    return _ENCODER.encode(value).encode(errors="backslashreplace")


_ENCODER: Final = json.JSONEncoder(
    sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False
)  # made once: json.dumps makes one for each value
_LEAVES: Final = frozenset({str, int, bool, NoneType})


def _refuse_floats(value: object) -> None:
    if isinstance(value, float):
        raise TypeError(f"a float in what is hashed: {value!r}")
    if isinstance(value, dict):
        value = value.values()
    elif not isinstance(value, (list, tuple)):
        return
    for inner in value:
        if type(inner) not in _LEAVES:  # of which nearly all are
            _refuse_floats(inner)


def stamp(at: datetime) -> str:
    """UTC with milliseconds: 2026-03-01T04:05:06.789Z."""
    # not strftime: it writes the year 987 in three digits, which can't be read back
    return at.astimezone(UTC).replace(tzinfo=None).isoformat(timespec="milliseconds") + "Z"


def unstamp(text: str) -> datetime:
    """The opposite of stamp; also takes what fromisoformat takes, if it carries an offset."""
    at = datetime.fromisoformat(text)
    if at.tzinfo is None:
        raise ValueError(f"{text}: no offset from UTC")
    try:
        return at.astimezone(UTC)
    except OverflowError as reason:
        raise ValueError(f"{text}: no date in UTC") from reason


def whole_ms(at: datetime) -> datetime:
    """UTC, cut to the millisecond that stamp() writes, so that live and stored values are equal."""
    if at.tzinfo is not UTC:
        at = at.astimezone(UTC)
    over = at.microsecond % 1_000
    return at - timedelta(microseconds=over) if over else at


Utc = Annotated[
    datetime,
    PlainSerializer(stamp, return_type=str, when_used="json"),
    WithJsonSchema({"type": "string", "format": "date-time"}),
]
"""A moment in a stored value; written by stamp()."""
