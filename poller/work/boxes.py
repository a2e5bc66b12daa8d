"""Spare boxes: onto the shelf and off it."""

from __future__ import annotations

from datetime import date, datetime
from typing import Final, TypeAlias

from poller.model.events import Body, SpareRemoved, SpareShelved
from poller.model.refusal import Refusal
from poller.model.standing import State
from poller.model.work import Asset, asset_key
from poller.work.requests import RemoveSpare, ShelveSpare

Decided: TypeAlias = list[tuple[str, Body]]
SHELF: Final = "shelf: "
"""How the place of a spare begins; see Asset."""


def shelved(state: State, given: ShelveSpare, at: datetime) -> Decided:
    """A box on a shelf, or what is known of one there; what is not given stays as it was."""
    known = state.assets.get(asset_key(given.vendor, given.serNum))
    at_work = None if known is None else _position(state, known)
    if at_work is not None:
        raise Refusal(
            f"{given.serNum} answers at {at_work}, so it is on no shelf; "
            f"see: bayroll show {at_work}"
        )
    if given.tested_on is not None:
        _past_day(given.tested_on, at)
    body = SpareShelved(
        vendor=given.vendor,
        serNum=given.serNum,
        model=given.model,
        orderCode=given.orderCode,
        swRev=given.swRev,
        shelf=given.shelf,
        tested_on=given.tested_on,
    )
    return [("", body)]


def removed(state: State, given: RemoveSpare, at: datetime) -> Decided:
    known = state.assets.get(asset_key(given.vendor, given.serNum))
    if known is None or not known.place.startswith(SHELF):
        raise Refusal(
            f"{given.vendor} {given.serNum}: no such box is on a shelf; see: bayroll spare list"
        )
    body = SpareRemoved(vendor=given.vendor, serNum=given.serNum, why=given.why)
    return [("", body)]


def _position(state: State, box: Asset) -> str | None:
    """Where it answers under its serial number now."""
    relay = state.relays.get(box.place)
    if relay is None or not relay.listed or not relay.answering or relay.nameplate is None:
        return None
    return box.place if relay.nameplate.serNum == box.serNum else None


def _past_day(text: str, at: datetime) -> None:
    try:
        day = date.fromisoformat(text)
    except ValueError:
        day = None
    if day is None or day.isoformat() != text:
        raise Refusal(f"tested on {text}: no day; write it as 2026-03-01")
    if (day - at.date()).days > 1:  # east of Greenwich it may be tomorrow already
        raise Refusal(f"tested on {text}: that day is still to come")
