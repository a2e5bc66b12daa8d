"""Lanes over time as places on a picture: in percent of its width, to be stretched.

However many events, what is drawn is bounded: what lies too close together becomes one and says
how many.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final

from poller.answers.classes import Weight
from poller.answers.timeline import Lane, Mark, Timeline
from poller.answers.tracks import Band
from poller.answers.words import count, moment

BAND_MIN: Final = 0.5  # percent; narrower ones are drawn together
LETTER_PX: Final = 7.0  # of the picture's smaller type, on average
WORST: Final = (Weight.GRAVE, Weight.NOTE, Weight.UNKNOWN, Weight.REST)
SAID_MAX: Final = 3  # events of one mark that it names
STEPS: Final = tuple(
    timedelta(minutes=minutes)
    for minutes in (
        1 / 6,
        1 / 2,
        1,
        2,
        5,
        10,
        15,
        30,
        60,
        120,
        180,
        360,
        720,
        1_440,
        2_880,
        10_080,
        20_160,
    )
) + tuple(timedelta(days=days) for days in (30, 61, 91, 182, 365, 730, 1_826, 3_652))
EPOCH: Final = datetime(2000, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True, kw_only=True)
class Paper:
    """name: of the drawing. px: how wide it is at least. slot: percent between two marks, which is
    24 px then (WCAG 2.2, 2.5.8). ticks: at most so many."""

    name: str
    px: float
    ticks: int

    @property
    def slot(self) -> float:
        return 100 * 24 / self.px


PAPERS: Final = (Paper(name="wide", px=560, ticks=7), Paper(name="narrow", px=296, ticks=3))


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnBand:
    """x, width: percent. written: there is room for the words."""

    x: float
    width: float
    says: str
    title: str
    weight: Weight
    written: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnMark:
    """Events that lie close together are one, at the place of the first. seq: of the newest."""

    x: float
    count: int
    seq: int
    title: str
    weight: Weight


@dataclass(frozen=True, slots=True, kw_only=True)
class Tick:
    x: float
    says: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnLane:
    name: str
    says: str
    bands: tuple[DrawnBand, ...]
    marks: tuple[DrawnMark, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    paper: Paper
    ticks: tuple[Tick, ...]
    lanes: tuple[DrawnLane, ...]


def drawn(told: Timeline, paper: Paper) -> Picture:
    scale = _Scale(told.first, told.last)
    return Picture(
        paper=paper,
        ticks=tuple(_ticks(scale, paper)),
        lanes=tuple(_lane(lane, scale, paper) for lane in told.lanes),
    )


@dataclass(frozen=True, slots=True)
class _Scale:
    first: datetime
    last: datetime

    def x(self, at: datetime) -> float:
        """0 to 100, whatever the clock did."""
        whole = (self.last - self.first).total_seconds()
        part = (at - self.first).total_seconds() / whole if whole > 0 else 0.0
        return round(100 * min(1.0, max(0.0, part)), 3)


def _lane(lane: Lane, scale: _Scale, paper: Paper) -> DrawnLane:
    return DrawnLane(
        name=lane.name,
        says=lane.says,
        bands=tuple(_band(crowd, scale, paper) for crowd in _crowds(lane.bands, scale)),
        marks=tuple(_mark(group, x) for group, x in _groups(lane.marks, scale, paper)),
    )


def _crowds(bands: Sequence[Band], scale: _Scale) -> Iterator[list[Band]]:
    """Each wide enough to be seen, the last perhaps not."""
    crowd: list[Band] = []
    for band in bands:
        wide = scale.x(band.last) - scale.x(band.first) >= BAND_MIN
        if wide and crowd:
            yield crowd
            crowd = []
        crowd.append(band)
        if scale.x(band.last) - scale.x(crowd[0].first) >= BAND_MIN:
            yield crowd
            crowd = []
    if crowd:
        yield crowd


def _band(crowd: Sequence[Band], scale: _Scale, paper: Paper) -> DrawnBand:
    first, last = crowd[0], crowd[-1]
    x = scale.x(first.first)
    width = round(scale.x(last.last) - x, 3)
    says = first.says if len(crowd) == 1 else f"{len(crowd)} changes"
    return DrawnBand(
        x=x,
        width=width,
        says=says,
        title=f"{says}, {moment(first.first)} to {moment(last.last)}",
        weight=min((one.weight for one in crowd), key=WORST.index),
        written=width / 100 * paper.px >= LETTER_PX * len(says) + 4,
    )


def _groups(
    marks: Sequence[Mark], scale: _Scale, paper: Paper
) -> Iterator[tuple[list[Mark], float]]:
    """No two closer than a slot, so that each can be hit."""
    group: list[Mark] = []
    start = 0.0
    for mark in marks:
        x = scale.x(mark.at)
        if group and x - start >= paper.slot:
            yield group, start
            group = []
        if not group:
            start = x
        group.append(mark)
    if group:
        yield group, start


def _mark(group: Sequence[Mark], x: float) -> DrawnMark:
    said = [f"{moment(one.at)}: {one.says}" for one in group[-SAID_MAX:]]
    if len(group) > SAID_MAX:
        said.insert(0, f"{count(len(group), 'event', 'events')}, the last of them:")
    return DrawnMark(
        x=x,
        count=len(group),
        seq=group[-1].seq,
        title=" ".join(said),
        weight=min((one.weight for one in group), key=WORST.index),
    )


def _ticks(scale: _Scale, paper: Paper) -> Iterator[Tick]:
    whole = scale.last - scale.first
    step = next((one for one in STEPS if whole / one <= paper.ticks), None)
    if step is None or whole <= timedelta(0):
        return
    at = EPOCH + -((EPOCH - scale.first) // step) * step  # the first multiple that is not before it
    while at <= scale.last:
        yield Tick(x=scale.x(at), says=_round(at, step))
        at += step


def _round(at: datetime, step: timedelta) -> str:
    """As short as the step allows."""
    if step >= timedelta(days=1):
        return f"{at.year:04}-{at:%m-%d}"
    return f"{at:%H:%M:%S}" if step < timedelta(minutes=1) else f"{at:%H:%M}"
