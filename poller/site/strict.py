"""The base of every value that comes from a file: strict types, unknown keys refused, frozen."""

from __future__ import annotations

from typing import Annotated, TypeVar

from pydantic import BaseModel, ConfigDict, Field

T = TypeVar("T")


class Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


Many = Annotated[tuple[T, ...], Field(strict=False)]
"""A list in the file, a tuple in the program."""
