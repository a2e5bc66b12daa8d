"""What advisories are held against: relays at their positions, and spares on their shelves."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from poller.model.nameplate import Nameplate
from poller.model.standing import State, shown
from poller.model.work import Asset
from poller.work.boxes import SHELF


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """relay: its id, None of a spare. place: the shelf. plate: what is known of it."""

    relay: str | None
    place: str | None
    plate: Nameplate


def boxes(state: State) -> Iterator[Box]:
    """Every listed relay of which anything was read or entered, then every spare."""
    for name, relay in sorted(state.relays.items()):
        plate = shown(relay)
        if relay.listed and plate is not None:
            yield Box(relay=name, place=None, plate=plate)
    for _, asset in sorted(state.assets.items()):
        if asset.place.startswith(SHELF):
            yield Box(relay=None, place=asset.place.removeprefix(SHELF), plate=_plate(asset))


def unread(state: State) -> tuple[str, ...]:
    """Listed relays of which nothing is known that a document could be held against."""
    return tuple(
        name
        for name, relay in sorted(state.relays.items())
        if relay.listed and ((plate := shown(relay)) is None or plate.model is None)
    )


def _plate(asset: Asset) -> Nameplate:
    return Nameplate(
        vendor=asset.vendor or None,
        model=asset.model,
        serNum=asset.serNum,
        swRev=asset.swRev,
        orderCode=asset.orderCode,
    )
