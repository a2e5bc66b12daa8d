"""Every box and the firmware in it: what stands at each position, and what lies on shelves.

All of it follows from the journal, so that the same journal gives the same inventory, byte for
byte. Text of devices stands in it as model.text.shown gives it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Literal
from urllib.parse import quote

from poller.answers.listing import natural
from poller.answers.spares import SHELF
from poller.model.canonical import Utc
from poller.model.nameplate import Nameplate
from poller.model.standing import Firmware, Relay, State, baseline_word
from poller.model.standing import shown as present
from poller.model.text import shown
from poller.model.work import Asset, FirmwareStatus
from poller.site.approved import DEVICE


@dataclass(frozen=True, slots=True, kw_only=True)
class AsOf:
    """The event up to which a state tells: its number, its hash in the chain, when it was.

    at: None: nothing has happened yet.
    """

    seq: int
    hash: str
    at: Utc | None


@dataclass(frozen=True, slots=True, kw_only=True)
class InventoryFirmware:
    """name: device, or the component's. hwRev: of the component. swRev: None: not told.

    status, target, rule: against the approved list; None: it was not held against one.
    """

    ref: str
    name: str
    hwRev: str | None
    swRev: str | None
    status: FirmwareStatus | None
    target: str | None
    rule: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class InventoryBox:
    """A box: at a position of the list, or on a shelf. ref: its name here, of plain ASCII.

    relay, bay, function, baseline: of a position; shelf, tested_on (2026-03-01): of a spare.
    source: read, or entered by a person; None: nothing is known of what stands there.
    """

    ref: str
    relay: str | None
    bay: str | None
    function: str | None
    shelf: str | None
    vendor: str | None
    model: str | None
    serNum: str | None
    orderCode: str | None
    hwRev: str | None
    source: Literal["read", "entered"] | None
    baseline: str | None
    tested_on: str | None
    firmware: tuple[InventoryFirmware, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Inventory:
    """boxes: positions by bay and function, then spares by shelf. as_of: it is told up to there."""

    schema: Literal["bayroll/inventory/1"] = "bayroll/inventory/1"
    site: str
    as_of: AsOf
    boxes: tuple[InventoryBox, ...]


def inventory(state: State, as_of: AsOf) -> Inventory:
    """as_of: the last event of that state."""
    return Inventory(
        site=shown(state.site or ""), as_of=as_of, boxes=(*_positions(state), *_spares(state))
    )


def _positions(state: State) -> Iterator[InventoryBox]:
    listed = [(name, relay) for name, relay in state.relays.items() if relay.listed]
    listed.sort(key=lambda one: (natural(one[1].bay), natural(one[1].function), one[0]))
    for name, relay in listed:
        plate = present(relay)
        yield _box(
            f"relay:{_plain(name)}",
            plate or Nameplate(),
            relay.firmware,
            relay=name,
            at=relay,
            source=None if plate is None else "read" if relay.nameplate else "entered",
        )


def _spares(state: State) -> Iterator[InventoryBox]:
    found = [asset for asset in state.assets.values() if asset.place.startswith(SHELF)]
    found.sort(key=lambda one: (natural(one.place), one.vendor, natural(one.serNum), one.serNum))
    for asset in found:
        plate = Nameplate(
            vendor=asset.vendor or None,
            model=asset.model,
            serNum=asset.serNum,
            orderCode=asset.orderCode,
            swRev=asset.swRev,
        )
        ref = f"spare:{_plain(asset.vendor)}/{_plain(asset.serNum)}"
        yield _box(ref, plate, {}, asset=asset, source="entered")


def _box(
    ref: str,
    plate: Nameplate,
    judged: Mapping[str, Firmware],
    *,
    relay: str | None = None,
    at: Relay | None = None,
    asset: Asset | None = None,
    source: Literal["read", "entered"] | None,
) -> InventoryBox:
    return InventoryBox(
        ref=ref,
        relay=relay,
        bay=None if at is None else shown(at.bay),
        function=None if at is None else shown(at.function),
        shelf=None if asset is None else shown(asset.place.removeprefix(SHELF)),
        vendor=_shown(plate.vendor),
        model=_shown(plate.model),
        serNum=_shown(plate.serNum),
        orderCode=_shown(plate.orderCode),
        hwRev=_shown(plate.hwRev),
        source=source,
        baseline=None if at is None else baseline_word(at),
        tested_on=None if asset is None else _shown(asset.tested_on),
        firmware=tuple(_firmware(ref, plate, judged)),
    )


def _firmware(
    ref: str, plate: Nameplate, judged: Mapping[str, Firmware]
) -> Iterator[InventoryFirmware]:
    """Of the device itself, where it tells a version; then of each component."""
    parts = [(part.name, f"components.{part.name}.swRev", part) for part in plate.components]
    own = [] if plate.swRev is None else [(DEVICE, "swRev", None)]
    for name, attribute, part in (*own, *parts):
        against = judged.get(attribute)
        yield InventoryFirmware(
            ref=f"{ref}/{_plain(attribute.removesuffix('.swRev'))}",
            name=shown(name),
            hwRev=None if part is None else _shown(part.hwRev),
            swRev=_shown(plate.swRev if part is None else part.swRev),
            status=None if against is None else against.status,
            target=None if against is None else _shown(against.target),
            rule=None if against is None else against.rule,
        )


def _shown(text: str | None) -> str | None:
    return None if text is None else shown(text)


def _plain(text: str) -> str:
    """Of ASCII, and other for every other text: half a surrogate pair too."""
    return quote(text, safe="", errors="surrogatepass")
