"""Boxes: what lies on the shelf, and where one serial number has been."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from poller.answers.listing import natural
from poller.answers.words import age_s, position
from poller.model import events as ev
from poller.model.canonical import Utc
from poller.model.events import Recorded
from poller.model.nameplate import Nameplate
from poller.model.standing import State
from poller.model.text import shown
from poller.model.work import Asset

SHELF: Final = "shelf: "


@dataclass(frozen=True, slots=True, kw_only=True)
class SpareRow:
    """A box on a shelf. age_s: there for so long, whole seconds. tested_on: 2026-03-01."""

    vendor: str
    serNum: str
    model: str | None
    orderCode: str | None
    swRev: str | None
    shelf: str
    tested_on: str | None
    since: Utc
    age_s: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """until: None: it is there now. relay: None on a shelf or where nobody said."""

    since: Utc
    until: Utc | None
    relay: str | None
    says: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """One serial number of one maker, and where it has been, oldest first."""

    vendor: str
    serNum: str
    model: str | None
    orderCode: str | None
    swRev: str | None
    tested_on: str | None
    places: tuple[Place, ...]


def stock(state: State, now: datetime, text: str | None = None) -> tuple[SpareRow, ...]:
    """What lies on shelves, by shelf, maker and serial number. text: only where it is told."""
    found = [_spare(asset, now) for asset in state.assets.values() if asset.place.startswith(SHELF)]
    found.sort(key=lambda one: (natural(one.shelf), one.vendor, natural(one.serNum)))
    return tuple(one for one in found if text is None or _tells(one, text.casefold()))


def _spare(asset: Asset, now: datetime) -> SpareRow:
    since = asset.places[-1][0]
    return SpareRow(
        vendor=shown(asset.vendor),
        serNum=shown(asset.serNum),
        model=_text(asset.model),
        orderCode=_text(asset.orderCode),
        swRev=_text(asset.swRev),
        shelf=shown(asset.place.removeprefix(SHELF)),
        tested_on=_text(asset.tested_on),
        since=since,
        age_s=age_s(since, now) or 0,
    )


def _tells(one: SpareRow, text: str) -> bool:
    told = (one.vendor, one.serNum, one.model, one.orderCode, one.swRev, one.shelf)
    return any(part is not None and text in part.casefold() for part in told)


def _text(text: str | None) -> str | None:
    return None if text is None else shown(text)


def known(state: State, serial: str, vendor: str | None = None) -> tuple[Asset, ...]:
    """The boxes with that serial number: two makers may use one. vendor: of that maker only."""
    return tuple(
        asset
        for _, asset in sorted(state.assets.items())
        if asset.serNum == serial and vendor in (None, asset.vendor)
    )


def box(asset: Asset, state: State) -> Box:
    ends = [at for at, _ in asset.places[1:]]
    places = tuple(
        Place(
            since=since,
            until=until,
            relay=place if place in state.relays else None,
            says=_place(place, state),
        )
        for (since, place), until in zip(asset.places, [*ends, None], strict=False)
    )
    return Box(
        vendor=shown(asset.vendor),
        serNum=shown(asset.serNum),
        model=_text(asset.model),
        orderCode=_text(asset.orderCode),
        swRev=_text(asset.swRev),
        tested_on=_text(asset.tested_on),
        places=places,
    )


def _place(place: str, state: State) -> str:
    if place.startswith(SHELF):
        return f"shelf {shown(place.removeprefix(SHELF))}"
    return position(place, state) if place else "nobody said where"


def follow(events: Iterable[Recorded], serial: str, before: State) -> Iterator[Recorded]:
    """What happened to a box: on shelves, and at a position while that tells its serial number.

    events: in order, all of them from where `before` is the state. The event by which it came to a
    position or left it is told too.
    """
    there = {name for name, relay in before.relays.items() if serial == _serial(relay.nameplate)}
    for recorded in events:
        subject, body = recorded.event.subject, recorded.event.body
        was = subject in there
        match body:
            case ev.NameplateFirstRead(nameplate=told) | ev.NameplateChanged(nameplate=told):
                (there.add if told.serNum == serial else there.discard)(subject)
            case ev.SpareShelved(serNum=number) | ev.SpareRemoved(serNum=number):
                was = number == serial
        if was or subject in there:
            yield recorded


def _serial(nameplate: Nameplate | None) -> str | None:
    return None if nameplate is None else nameplate.serNum
