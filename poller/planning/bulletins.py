"""Service bulletins against relays and spares."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Final

from poller.model.due import Bulletin, Severity
from poller.model.events import Order
from poller.model.firmware_version import order
from poller.model.text import shown
from poller.planning.boxes import Box
from poller.planning.matching import NO, YES, Match, Truth, in_range, maybe
from poller.site.advisory_families import AdvisoryFamilies, Family

MISOPERATION: Final = frozenset(
    {Severity.FAILURE_TO_TRIP, Severity.SLOW_TRIP, Severity.UNNECESSARY_TRIP}
)
"""Outranks every score of an advisory: protection that fails is worse than one that is attacked."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Concerned:
    """A box that a bulletin is about; or may be about, and why a person must say."""

    box: Box
    bulletin: Bulletin
    match: Match


def concerned(
    bulletins: Iterable[Bulletin], families: AdvisoryFamilies | None, boxes: Iterable[Box]
) -> Iterator[Concerned]:
    """Of those that are open."""
    all_boxes = tuple(boxes)
    for one in bulletins:
        if one.closed_at is not None:
            continue
        family = None if families is None else families.family(one.family or "")
        for box in all_boxes:
            match = _match(one, family, box)
            if match.truth is not Truth.NO:
                yield Concerned(box=box, bulletin=one, match=match)


def _match(one: Bulletin, family: Family | None, box: Box) -> Match:
    if one.family is None:
        return YES if box.relay in one.relays else NO
    if family is None:
        return maybe(f"the site knows no family {shown(one.family, 60)} any more")
    if not family.has(box.plate):
        return NO
    running = family.version(box.plate)
    if one.versions is not None:
        return in_range(one.versions, running, family.version_scheme)
    if one.fixed_in is None:
        return YES
    if running is None:
        return maybe("its firmware is not known")
    match order(one.fixed_in, running, family.version_scheme):
        case Order.OLDER:
            return YES
        case Order.NOT_COMPARABLE:
            return maybe(
                f"its firmware {shown(running, 60)} can't be held against {shown(one.fixed_in, 60)}"
            )
        case _:
            return NO
