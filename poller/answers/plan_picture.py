"""A plan of outages as a picture (SVG 1.1): windows from left to right, bays from top to bottom.

A cell is outlined where its bay is out, and filled where a step is done in it, with their number;
a pilot has a thick edge, and below stands how long it is held. Looks come from the page's classes.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final
from xml.sax.saxutils import escape
from zoneinfo import ZoneInfo

from poller.answers.words import count
from poller.model.text import shown
from poller.planning.outages.plan import Held, OutagePlan
from poller.planning.outages.shape import OutageFile

CELL_W: Final = 30
CELL_H: Final = 24
LEFT: Final = 110
TOP: Final = 62
RIGHT: Final = 40  # the last date leans over so far
HOLD_H: Final = 20


def plan_svg(made: OutagePlan, outages: OutageFile) -> str:
    """Standing alone: its text alternative tells what is where."""
    question = made.question
    steps = count(len(made.placed), "step", "steps")
    windows = count(len({one.window for one in made.placed}), "outage", "outages")
    bays = sorted({job.bay for job in question.jobs})
    width = LEFT + CELL_W * len(question.slots) + RIGHT
    height = TOP + CELL_H * len(bays) + HOLD_H * len(made.holds) + 10
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" class="outages" role="img" width="{width}" '
        f'height="{height}" viewBox="0 0 {width} {height}" '
        'aria-labelledby="outages-title outages-desc">',
        f'<title id="outages-title">{steps} in {windows}</title>',
        f'<desc id="outages-desc">{escape(_told(made))}</desc>',
        *_heads(made, outages),
        *(line for row, bay in enumerate(bays) for line in _bay(made, bay, row)),
        *(
            line
            for row, hold in enumerate(made.holds)
            for line in _hold(made, hold, row, len(bays))
        ),
        "</svg>",
    ]
    return "\n".join(parts) + "\n"


def _told(made: OutagePlan) -> str:
    told = []
    for one in made.placed:
        step = made.question.steps[one.step]
        pilot = " (pilot)" if one.pilot else ""
        told.append(
            f"{made.question.slots[one.window].id}: {step.relay} to {shown(step.to)}{pilot}"
        )
    return "; ".join(told) or "nothing is placed"


def _heads(made: OutagePlan, outages: OutageFile) -> Iterator[str]:
    zone = ZoneInfo(outages.zone)
    for at, slot in enumerate(made.question.slots):
        x = LEFT + CELL_W * at + CELL_W // 2 + 4
        day = f"{slot.start.astimezone(zone):%d %b %y}"
        turned = f"translate({x} {TOP - 6}) rotate(-60)"
        yield f'<text class="outages-head" transform="{turned}">{day}</text>'


def _bay(made: OutagePlan, bay: str, row: int) -> Iterator[str]:
    y = TOP + CELL_H * row
    name = escape(shown(bay, 14))
    yield f'<text class="outages-bay" x="{LEFT - 8}" y="{y + 16}" text-anchor="end">{name}</text>'
    for at, slot in enumerate(made.question.slots):
        here = [
            one
            for one in made.placed
            if one.window == at and made.question.jobs[made.question.steps[one.step].job].bay == bay
        ]
        if not here and bay not in slot.bays:
            continue
        kind = "outages-free"
        if here:
            kind = "outages-pilot" if any(one.pilot for one in here) else "outages-work"
        names = ", ".join(made.question.steps[one.step].relay for one in here) or "nothing placed"
        x = LEFT + CELL_W * at
        yield f"<g><title>{escape(f'{slot.id}, {shown(bay)}: {names}')}</title>"
        yield (
            f'<rect class="{kind}" x="{x + 1}" y="{y + 1}" width="{CELL_W - 2}" '
            f'height="{CELL_H - 2}"/>'
        )
        if here:
            middle = x + CELL_W // 2
            yield (
                f'<text class="outages-count" x="{middle}" y="{y + 16}" text-anchor="middle">'
                f"{len(here)}</text>"
            )
        yield "</g>"


def _hold(made: OutagePlan, hold: Held, row: int, bays: int) -> Iterator[str]:
    """From the pilot's window to the first that begins after it."""
    slots = made.question.slots
    y = TOP + CELL_H * bays + HOLD_H * row + 4
    first = sum(slot.end < hold.since for slot in slots)
    last = max(first, sum(slot.start < hold.until for slot in slots) - 1)
    x, wide = LEFT + CELL_W * first, CELL_W * (last - first + 1)
    name = f"{hold.family} held until {hold.until:%Y-%m-%d}"
    yield f"<g><title>{escape(name)}</title>"
    yield f'<rect class="outages-hold" x="{x}" y="{y}" width="{wide}" height="6"/>'
    yield (
        f'<text class="outages-bay" x="{LEFT - 8}" y="{y + 8}" text-anchor="end">'
        f"{escape(hold.family[:14])}</text></g>"
    )
