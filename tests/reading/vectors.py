"""The outside check values of Modbus, tests/checks/modbus_vectors.json; each names its source."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from poller.reading.frames import Request, identify, read
from poller.site.register_map import Table

CHECKS = Path(__file__).parents[1] / "checks"
VECTORS = json.loads((CHECKS / "modbus_vectors.json").read_text())
PDUS: list[dict[str, Any]] = VECTORS["pdu"]
TABLES: dict[int, Table] = {1: "coil", 2: "discrete", 3: "holding", 4: "input"}


def vector(name: str) -> dict[str, Any]:
    return next(one for one in PDUS if one["id"] == name)


def octets(name: str, side: str = "rsp") -> bytes:
    return bytes.fromhex(vector(name)[side])


def request_of(case: dict[str, Any]) -> Request:
    """The request of a vector, built by our own builders from what the printed octets say."""
    raw = bytes.fromhex(case["req"])
    if case["fc"] == 43:
        return identify(raw[2], raw[3])
    address, count = int.from_bytes(raw[1:3], "big"), int.from_bytes(raw[3:5], "big")
    return read(TABLES[case["fc"]], address, count)
