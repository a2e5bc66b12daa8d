"""Points: where plain protocols find each alarm and each value, given once and then for ever.

Every relay has a block of its own and every entry of the catalogue a place that is the same in all
blocks, so that one block can be engineered and the next is the same, so many addresses further on.
Neither a block nor a place is ever used for anything else, also when the relay or the entry goes.
Block 0 is that of the station: the poller, and the network. A gateway has a block as a relay has.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Final, TypeAlias

from poller.alarms.conditions import NETWORK, OF_RELAY, POLLER
from poller.alarms.silence import gateway_name
from poller.model import events as ev
from poller.model import limits
from poller.model.alarms import OF_THE_POLLER, Alarm, Cause
from poller.model.standing import Points, State
from poller.site.alarm_catalogue import Entry
from poller.site.settings import Site
from poller.site.shipped_alarms import catalogue_of

Decided: TypeAlias = list[tuple[str, ev.Body]]

NEED_POINTS: Final = frozenset({"alarm_points", "iec104"})
"""Outputs for which points are assigned: a site that names none of them needs no numbers."""

STATION: Final = ""
ALARMS_A_BLOCK: Final = 64  # the shipped catalogue has some twenty for the operator
VALUES_A_BLOCK: Final = 16


def follow(
    before: State, after: State, site: Site, events: Sequence[ev.Event], at: datetime
) -> Decided:
    """Blocks and places that the site needs and has not, where it may have come to need them."""
    come = any(isinstance(event.body, ev.ServiceStarted | ev.SiteLoaded) for event in events)
    return assigned(after.points, site) if come and NEED_POINTS & site.file.outputs.keys() else []


def assigned(points: Points, site: Site) -> Decided:
    """In the catalogue's and the site file's order; none past their bounds."""
    wanted = owners(site)
    new = [entry.id for entry in _operators(site) if entry.id not in points.places]
    first = 1 + max(points.places.values(), default=-1)
    new = new[: max(0, limits.POINT_PLACES_MAX - first)]
    out: Decided = []
    if new:
        out.append(("", ev.PointPlacesAssigned(first=first, entries=tuple(new))))
    places = points.places | {entry: first + n for n, entry in enumerate(new)}
    block = 1 + max((one for blocks in points.blocks.values() for one in blocks), default=-1)
    for owner, entries in wanted.items():
        last = max((places.get(entry.id, 0) for entry in entries), default=0)
        lacking = 1 + last // ALARMS_A_BLOCK - len(points.blocks.get(owner, ()))
        for _ in range(lacking):
            if block >= limits.POINT_BLOCKS_MAX:
                return out
            subject = owner if owner in site.file.by_id else ""
            out.append((subject, ev.PointBlockAssigned(owner=owner, block=block)))
            block += 1
    return out


def planned(points: Points, site: Site) -> Points:
    """With what would be assigned if an output of the site needed points now."""
    for _, body in assigned(points, site):
        points = folded(points, body)
    return points


def folded(points: Points, body: ev.Body) -> Points:
    match body:
        case ev.PointBlockAssigned(owner=owner, block=block):
            blocks = (*points.blocks.get(owner, ()), block)
            return replace(points, blocks={**points.blocks, owner: blocks})
        case ev.PointPlacesAssigned(first=first, entries=entries):
            places = {entry: first + n for n, entry in enumerate(entries)}
            return replace(points, places={**points.places, **places})
    return points


def owners(site: Site) -> dict[str, tuple[Entry, ...]]:
    """Who needs points now, in order: their alarms for the operator, as the catalogue has them."""
    of_relay, of_station, of_gateway = (
        tuple(_of(site, causes))
        for causes in (
            OF_RELAY.keys(),
            {Cause.MANY_SILENT, *OF_THE_POLLER},
            {Cause.GATEWAY_SILENT},
        )
    )
    found = {STATION: of_station}
    if of_gateway:
        shared = {at for at, relays in site.file.by_address.items() if len(relays) > 1}
        found |= {gateway_name(host, port): of_gateway for host, port in sorted(shared)}
    return found | {relay.id: of_relay for relay in site.file.relays}


def _operators(site: Site) -> Iterator[Entry]:
    return (entry for entry in catalogue_of(site).entries if entry.for_operator)


def _of(site: Site, causes: Collection[Cause]) -> Iterator[Entry]:
    return (entry for entry in _operators(site) if entry.cause in causes)


def owner_of(alarm: Alarm) -> str:
    """Whose block an alarm stands in: its id begins with the name where it is of no one relay."""
    first = alarm.subject or alarm.id.partition(".")[0]
    return STATION if first in (NETWORK, POLLER) and not alarm.subject else first


def alarm_number(points: Points, owner: str, entry: str) -> int | None:
    """From 0; None where it has none, or not yet."""
    place = points.places.get(entry)
    if place is None:
        return None
    page, rest = divmod(place, ALARMS_A_BLOCK)
    blocks = points.blocks.get(owner, ())
    return blocks[page] * ALARMS_A_BLOCK + rest if page < len(blocks) else None


def value_number(points: Points, owner: str, value: int) -> int | None:
    """From 0; None where its owner has no block, or not yet. value: its place, see point_values."""
    blocks = points.blocks.get(owner)
    return blocks[0] * VALUES_A_BLOCK + value if blocks else None


def out_of_reach(points: Points, site: Site, blocks_max: int) -> list[str]:
    """Owners with a point that has no number, or one in a block past those of a protocol."""
    return [
        owner
        for owner, entries in owners(site).items()
        if not points.blocks.get(owner)
        or any(block >= blocks_max for block in points.blocks[owner])
        or any(alarm_number(points, owner, entry.id) is None for entry in entries)
    ]
