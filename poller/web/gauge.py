"""A figure beside its target: a bar on a scale, with marks. Geometry, in units of its own."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from poller.alarms.measures import Figure

WIDTH, HEIGHT = 360, 44
LEFT, RIGHT = 2.0, 350.0
FAR: Final = 3.0  # times the last mark; past it the bar is broken off, and its number says how far
BESIDE: Final = 1.25  # how far the scale goes past its last mark


@dataclass(frozen=True, slots=True, kw_only=True)
class Gauge:
    """x: where each stands. bar: None: there is no value. broken: the value is past the scale."""

    bar: float | None
    broken: bool
    target: float
    most: float | None


def gauge(one: Figure) -> Gauge:
    """The scale begins at nothing and reaches past the last mark, to the value where it can."""
    last = one.target if one.most is None else max(one.target, one.most)
    value = one.value or 0.0
    least = last or 1.0  # of a target of nothing: one is far already
    scale = max(least * BESIDE, min(value, least * FAR))
    if one.unit == "%":
        scale = min(scale, 100.0)

    def x(at: float) -> float:
        return round(LEFT + (RIGHT - LEFT) * min(1.0, max(0.0, at / scale)), 2)

    return Gauge(
        bar=None if one.value is None else x(value),
        broken=value > scale,
        target=x(one.target),
        most=None if one.most is None else x(one.most),
    )
