"""A stack of areas: how many relays ran which version over time. Geometry, in units of its own.

Layers stand in the order of the table beside it, the first on top. Drawn in steps, since a relay
runs one version until it runs another.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from poller.answers.spread import Turn
from poller.answers.versions import Version

WIDTH, HEIGHT = 360, 170
LEFT, RIGHT, TOP, BOTTOM = 26.0, 352.0, 8.0, 150.0  # of the plot
NOW: Final = RIGHT - 8.0  # so that what is so since a moment ago is seen too
LAYERS_MAX: Final = 7  # that a person tells apart; the rest are told together
NAMED_FROM: Final = 13.0  # units of height that a name needs
ROWS_MAX: Final = 40  # of the same as a table


@dataclass(frozen=True, slots=True, kw_only=True)
class Layer:
    """version: None: of those that were not read. others: it is of all that have no layer.

    path: of an SVG area. middle: where its name may stand at the right, None: it is too low there.
    """

    version: Version
    others: bool
    path: str
    middle: float | None
    counts: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stack:
    """times, heights: of each turn that is drawn. marks: relays and where their line stands."""

    layers: tuple[Layer, ...]
    times: tuple[datetime, ...]
    heights: tuple[int, ...]
    marks: tuple[tuple[int, float], ...]
    start: datetime
    end: datetime

    @property
    def rows(self) -> tuple[tuple[datetime, int, tuple[int, ...]], ...]:
        """The same in numbers, the newest first: from when on, of all layers, of each."""
        told = [
            (time, self.heights[at], tuple(layer.counts[at] for layer in self.layers))
            for at, time in enumerate(self.times)
        ]
        return tuple(reversed(told))[:ROWS_MAX]


def stack(turns: Sequence[Turn], order: Sequence[Version], until: datetime) -> Stack | None:
    """order: of all versions, the first on top. until: now. None: nobody ever ran any."""
    if not turns:
        return None
    start, end = turns[0].at, max(until, max(turn.at for turn in turns))
    drawn = _thinned(turns, start, end)
    kept = _kept(drawn, order)
    series: list[tuple[Version, bool, tuple[int, ...]]] = [
        (version, False, tuple(turn.counts.get(version, 0) for turn in drawn)) for version in kept
    ]
    heights = tuple(sum(turn.counts.values()) for turn in drawn)
    rest = tuple(
        height - sum(counts[at] for _, _, counts in series) for at, height in enumerate(heights)
    )
    if any(rest):
        series.append((None, True, rest))
    most = max(1, *heights)
    edges = [_x(turn.at, start, end) for turn in drawn] + [RIGHT]
    layers, under = [], [0] * len(drawn)
    for version, others, counts in reversed(series):
        over = [low + count for low, count in zip(under, counts, strict=True)]
        tops, feet = ([_y(one, most) for one in ends] for ends in (over, under))
        layers.append(
            Layer(
                version=version,
                others=others,
                path=_area(edges, tops, feet),
                middle=_middle(tops[-1], feet[-1]),
                counts=counts,
            )
        )
        under = over
    return Stack(
        layers=tuple(reversed(layers)),
        times=tuple(turn.at for turn in drawn),
        heights=heights,
        marks=tuple((one, _y(one, most)) for one in sorted({0, most // 2, most})),
        start=start,
        end=end,
    )


def _thinned(turns: Sequence[Turn], start: datetime, end: datetime) -> list[Turn]:
    """In each unit of width what stood at its end; a clock that is put back moves nothing back."""
    found: dict[int, Turn] = {}
    at = start
    for turn in turns:
        at = max(at, turn.at)
        found[int(_x(at, start, end))] = Turn(at, turn.counts)
    return list(found.values())


def _kept(turns: Sequence[Turn], order: Sequence[Version]) -> list[Version]:
    """Those with a layer of their own: of those that were ever run, the most run ones."""
    most: dict[Version, tuple[int, int]] = {}
    for version in order:
        counts = [turn.counts.get(version, 0) for turn in turns]
        if any(counts):
            most[version] = (counts[-1], max(counts))
    best: Mapping[Version, tuple[int, int]] = most
    kept = set(sorted(best, key=lambda version: best[version], reverse=True)[:LAYERS_MAX])
    return [version for version in order if version in kept]


def _x(at: datetime, start: datetime, end: datetime) -> float:
    whole = (end - start).total_seconds()
    share = (at - start).total_seconds() / whole if whole else 0.0
    return LEFT + (NOW - LEFT) * min(1.0, max(0.0, share))


def _y(relays: int, most: int) -> float:
    return BOTTOM - (BOTTOM - TOP) * relays / most


def _area(edges: Sequence[float], over: Sequence[float], under: Sequence[float]) -> str:
    """Along the top to the right and back along the bottom; edges: one more than steps."""
    there = [f"V{over[at]:.2f}H{edges[at + 1]:.2f}" for at in range(len(over))]
    back = [f"V{under[at]:.2f}H{edges[at]:.2f}" for at in reversed(range(len(under)))]
    return f"M{edges[0]:.2f} {over[0]:.2f}{''.join(there)}{''.join(back)}Z"


def _middle(over: float, under: float) -> float | None:
    return round((over + under) / 2, 2) if under - over >= NAMED_FROM else None
