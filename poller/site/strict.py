"""The base of every value that comes from a file: strict types, unknown keys refused, frozen."""

from __future__ import annotations

import re
from datetime import date
from typing import Annotated, Any, Final, TypeAlias, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field
from pydantic_core import PydanticCustomError

from poller.model import limits

T = TypeVar("T")


class Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


Many = Annotated[tuple[T, ...], Field(strict=False)]
"""A list in the file, a tuple in the program."""

Words: TypeAlias = Annotated[
    str,
    Field(
        min_length=1,
        max_length=limits.REASON_MAX,
        description="it is quoted in a sentence; a longer text belongs into a document of its own",
    ),
]
DAY: Final = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")


def _day(value: Any) -> Any:
    """Only as 2026-03-01: a number could be a day or seconds, a week date nobody expects."""
    if isinstance(value, str) and DAY.fullmatch(value):
        try:
            return date.fromisoformat(value)
        except ValueError:
            pass
    elif isinstance(value, date):
        return value
    raise PydanticCustomError("day", "write a day of the calendar as 2026-03-01")


Day: TypeAlias = Annotated[date, BeforeValidator(_day)]
