"""The inventory as a CycloneDX document: devices, and in each the firmware that runs in it.

Made by hand, for the same bytes each time: no random number, and no time but the journal's.
Advisories are no part of it: they come and go in a folder, not in the journal. Sources: ECMA-424
(CycloneDX 1.6) and 1.7; its property taxonomy, namespace cdx:device; properties of our own in the
namespace bayroll.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from enum import StrEnum
from typing import Any, Final, TypeAlias

from poller.answers.inventory import AsOf, Inventory, InventoryBox, InventoryFirmware
from poller.model.canonical import stamp
from poller.site.approved import DEVICE

Json: TypeAlias = dict[str, Any]
NOT_TOLD: Final = "not told"  # a component must have a name


class Spec(StrEnum):
    """Versions of the specification that can be asked for."""

    V1_6 = "1.6"
    V1_7 = "1.7"


def cyclonedx(told: Inventory, spec: Spec, version: str) -> Json:
    """version: Bayroll's own, which is named as the tool."""
    tool = {"type": "application", "name": "Bayroll", "version": version}
    at = told.as_of.at
    return {
        "$schema": f"http://cyclonedx.org/schema/bom-{spec}.schema.json",
        "bomFormat": "CycloneDX",
        "specVersion": str(spec),
        "serialNumber": serial_number(told.site, told.as_of),
        "version": 1,
        "metadata": {
            **({} if at is None else {"timestamp": stamp(at)}),
            "lifecycles": [{"phase": "operations"}],
            "tools": {"components": [tool]},
            "properties": _properties(
                {
                    "bayroll:site": told.site,
                    "bayroll:journal:seq": str(told.as_of.seq),
                    "bayroll:journal:hash": told.as_of.hash,
                }
            ),
        },
        "components": [_device(box) for box in told.boxes],
    }


def serial_number(site: str, as_of: AsOf) -> str:
    """A name of the moment that it tells of: version 5 of RFC 9562."""
    name = f"urn:bayroll:v1:inventory:{site}:{as_of.hash}"
    return uuid.uuid5(uuid.NAMESPACE_URL, name).urn


def _device(box: InventoryBox) -> Json:
    own = {
        "cdx:device:serialNumber": box.serNum,
        "bayroll:orderCode": box.orderCode,
        "bayroll:relay": box.relay,
        "bayroll:bay": box.bay,
        "bayroll:function": box.function,
        "bayroll:shelf": box.shelf,
        "bayroll:testedOn": box.tested_on,
        "bayroll:source": box.source or "none",
        "bayroll:baseline": box.baseline,
    }
    inner = [part for one in box.firmware if (part := _firmware(one, box)) is not None]
    return {
        "type": "device",
        "bom-ref": box.ref,
        **_manufacturer(box),
        "name": box.model or NOT_TOLD,
        **({} if box.hwRev is None else {"version": box.hwRev}),
        "properties": _properties(own),
        **({"components": inner} if inner else {}),
    }


def _firmware(one: InventoryFirmware, box: InventoryBox) -> Json | None:
    """None: the part tells nothing. Without firmware it is a device in the device."""
    if one.swRev is None:
        if one.hwRev is None:
            return None
        named = {"bom-ref": one.ref, "name": one.name, "version": one.hwRev}
        return {"type": "device", **named}
    own = {
        "bayroll:hwRev": one.hwRev,
        "bayroll:firmware:status": one.status,
        "bayroll:firmware:target": one.target,
        "bayroll:firmware:rule": one.rule,
    }
    properties = _properties(own)
    return {
        "type": "firmware",
        "bom-ref": one.ref,
        **_manufacturer(box),
        "name": "main firmware" if one.name == DEVICE else one.name,
        "version": one.swRev,
        **({"properties": properties} if properties else {}),
    }


def _manufacturer(box: InventoryBox) -> Json:
    return {} if box.vendor is None else {"manufacturer": {"name": box.vendor}}


def _properties(told: dict[str, Any]) -> list[Json]:
    return list(_named(told))


def _named(told: dict[str, Any]) -> Iterator[Json]:
    for name, value in told.items():
        if value is not None:
            yield {"name": name, "value": str(value)}
