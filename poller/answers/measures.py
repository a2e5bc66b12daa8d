"""The words for the figures of ISA-18.2: a number, where it stands to its target, its source."""

from __future__ import annotations

from enum import StrEnum
from typing import Final

from poller.alarms.measures import Figure

TOO_SHORT: Final = "Less than 30 days tell little: the standard asks for 30 at least."


class Stands(StrEnum):
    """Where a figure stands to its target, in words."""

    WITHIN = "within the target"
    ABOVE = "above the target"
    MANAGEABLE = "above the target, within what can be managed"
    BEYOND = "more than can be managed"
    BESIDE = "a share to come near to; judge it with people who know the alarms"
    UNKNOWN = "no alarm to take it from"


def stands(one: Figure) -> Stands:
    if one.value is None:
        return Stands.UNKNOWN
    if one.near:
        return Stands.BESIDE
    if one.value <= one.target:
        return Stands.WITHIN
    if one.most is None:
        return Stands.ABOVE
    return Stands.MANAGEABLE if one.value <= one.most else Stands.BEYOND


def source(one: Figure) -> str:
    return f"{one.source}; {one.note}" if one.note else one.source


def number(value: float | None) -> str:
    """Two decimals at most; what is not quite nothing is not told as nothing."""
    if value is None:
        return "-"
    if 0 < value < 0.005:
        return "under 0.01"
    return f"{value:,.2f}".rstrip("0").rstrip(".")
