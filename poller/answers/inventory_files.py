"""The inventory as files: JSON for scripts, CSV for a spreadsheet, CycloneDX for other tools."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator
from enum import StrEnum
from typing import Any, Final

from poller.answers.cyclonedx import Spec, cyclonedx
from poller.answers.inventory import Inventory
from poller.model.canonical import plain
from poller.site.relay_columns import guarded


class Format(StrEnum):
    CYCLONEDX = "cyclonedx"
    CSV = "csv"
    JSON = "json"


HEAD: Final = (
    "relay",
    "bay",
    "function",
    "shelf",
    "maker",
    "model",
    "serial number",
    "order code",
    "hardware version",
    "baseline",
    "tested on",
    "known from",
    "part",
    "hardware version of the part",
    "firmware",
    "against the list",
    "target",
)


def written(told: Inventory, format_: Format, spec: Spec, version: str) -> bytes:
    """spec: of CycloneDX alone. version: Bayroll's own."""
    match format_:
        case Format.CYCLONEDX:
            return _json(cyclonedx(told, spec, version))
        case Format.CSV:
            return inventory_csv(told)
        case Format.JSON:
            return _json(plain(told))


def _json(value: Any) -> bytes:
    """Plain ASCII, a member a line: two of them can be compared."""
    return (json.dumps(value, indent=1, ensure_ascii=True) + "\n").encode()


def inventory_csv(told: Inventory) -> bytes:
    """A line for each firmware, and one for a box that tells none.

    RFC 4180, UTF-8 with a byte order mark; what could be a formula has an apostrophe before.
    """
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(HEAD)
    for cells in _lines(told):
        writer.writerow(["" if cell is None else guarded(cell) for cell in cells])
    return text.getvalue().encode("utf-8-sig")


def _lines(told: Inventory) -> Iterator[tuple[str | None, ...]]:
    for box in told.boxes:
        place = (box.relay, box.bay, box.function, box.shelf)
        plate = (box.vendor, box.model, box.serNum, box.orderCode, box.hwRev)
        head = (*place, *plate, box.baseline, box.tested_on, box.source)
        for one in box.firmware:
            yield (*head, one.name, one.hwRev, one.swRev, one.status, one.target)
        if not box.firmware:
            yield (*head, None, None, None, None, None)
