"""The memory of a process over time: its slope, and a picture of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import linear_regression
from typing import Final

WIDE, HIGH, EDGE = 720, 280, 48  # pixels
HOUR_S: Final = 3_600.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """at_s: since the beginning. rss_kb: resident memory."""

    at_s: float
    rss_kb: int
    descriptors: int
    cpu_s: float


def slope(samples: Sequence[Sample]) -> float:
    """Percent an hour, by least squares, of the first value on the line."""
    line = linear_regression([one.at_s for one in samples], [float(one.rss_kb) for one in samples])
    return 100 * line.slope * HOUR_S / (line.intercept + line.slope * samples[0].at_s)


def picture(samples: Sequence[Sample], measured_from_s: float, says: str) -> str:
    """SVG: memory over minutes, the part that is judged darker, from nought so that none lies."""
    end_s, top = samples[-1].at_s, 1.15 * max(one.rss_kb for one in samples)

    def x(at_s: float) -> float:
        return EDGE + (WIDE - 2 * EDGE) * at_s / end_s

    def y(kb: float) -> float:
        return HIGH - EDGE - (HIGH - 2 * EDGE) * kb / top

    def path(some: Sequence[Sample], colour: str) -> str:
        points = " ".join(f"{x(one.at_s):.1f},{y(one.rss_kb):.1f}" for one in some)
        return f'<polyline points="{points}" fill="none" stroke="{colour}" stroke-width="2"/>'

    def text(left: float, above: float, said: str, anchor: str = "start") -> str:
        return f'<text x="{left:.0f}" y="{above:.0f}" text-anchor="{anchor}">{said}</text>'

    step_s = 600 if end_s > 2_400 else 60
    marks = [
        text(x(at), HIGH - EDGE + 18, f"{at // 60}", "middle")
        for at in range(0, int(end_s) + 1, step_s)
    ]
    levels = [
        f'<line x1="{EDGE}" x2="{WIDE - EDGE}" y1="{y(kb):.1f}" y2="{y(kb):.1f}" stroke="#ddd"/>'
        + text(EDGE - 6, y(kb) + 4, f"{kb // 1_024}", "end")
        for kb in range(0, int(top), 20 * 1_024)
    ]
    judged = [one for one in samples if one.at_s >= measured_from_s]
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDE} {HIGH}"'
            ' font-family="sans-serif" font-size="12" fill="#333">',
            f'<rect width="{WIDE}" height="{HIGH}" fill="#fff"/>',
            text(EDGE, 20, says),
            *levels,
            *marks,
            text(WIDE / 2, HIGH - 8, "minutes; memory of the service in MiB", "middle"),
            path(samples, "#9bb"),
            path(judged, "#134"),
            "</svg>\n",
        ]
    )
