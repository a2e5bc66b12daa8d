"""MQTT packets out of bytes, read without any MQTT library; OASIS MQTT 5.0, chapters 1.5 and 2."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

CONNECT, PUBLISH = 1, 3
CHECKS: Final = Path(__file__).parents[2] / "checks" / "mqtt5_properties.csv"


@dataclass(frozen=True)
class Property:
    name: str
    type: str
    packets: str


def _table() -> dict[int, Property]:
    with CHECKS.open(newline="") as lines:
        return {
            int(row["id_dec"]): Property(row["name"], row["type"], row["packets"])
            for row in csv.DictReader(lines)
        }


PROPERTIES: Final = _table()


@dataclass(frozen=True)
class Published:
    topic: str
    qos: int
    retain: bool
    properties: list[tuple[str, Any]]
    payload: bytes


def packets(octets: bytes) -> Iterator[tuple[int, int, bytes]]:
    """(type, flags, rest) of each whole packet."""
    at = 0
    while at < len(octets):
        first = octets[at]
        length, at = _varint(octets, at + 1)
        yield first >> 4, first & 0x0F, octets[at : at + length]
        at += length


def published(octets: bytes, *, version: int = 5) -> list[Published]:
    return [
        _published(flags, rest, version) for kind, flags, rest in packets(octets) if kind == PUBLISH
    ]


def will(octets: bytes) -> Published:
    """The will of the first CONNECT; MQTT 5.0, 3.1.2 and 3.1.3."""
    rest = next(rest for kind, _, rest in packets(octets) if kind == CONNECT)
    protocol, at = _text(rest, 0)
    assert (protocol, rest[at]) == ("MQTT", 5)
    flags = rest[at + 1]
    assert flags & 0x04, "no will"
    length, at = _varint(rest, at + 4)
    _, at = _text(rest, at + length)  # the client id
    length, at = _varint(rest, at)
    properties = _properties(rest[at : at + length])
    topic, at = _text(rest, at + length)
    size = int.from_bytes(rest[at : at + 2])
    return Published(
        topic, flags >> 3 & 3, bool(flags & 0x20), properties, rest[at + 2 : at + 2 + size]
    )


def _published(flags: int, rest: bytes, version: int) -> Published:
    topic, at = _text(rest, 0)
    qos = flags >> 1 & 3
    at += 2 if qos else 0
    properties: list[tuple[str, Any]] = []
    if version == 5:
        length, at = _varint(rest, at)
        properties = _properties(rest[at : at + length])
        at += length
    return Published(topic, qos, bool(flags & 1), properties, rest[at:])


def _properties(octets: bytes) -> list[tuple[str, Any]]:
    at, found = 0, []
    while at < len(octets):
        known = PROPERTIES[octets[at]]
        value: Any
        at += 1
        if known.type == "Byte":
            value, at = octets[at], at + 1
        elif known.type.startswith("Four Byte"):
            value, at = int.from_bytes(octets[at : at + 4]), at + 4
        elif known.type == "UTF-8 string pair":
            name, at = _text(octets, at)
            text, at = _text(octets, at)
            value = (name, text)
        else:
            assert known.type == "UTF-8 string", known
            value, at = _text(octets, at)
        found.append((known.name, value))
    return found


def _text(octets: bytes, at: int) -> tuple[str, int]:
    length = int.from_bytes(octets[at : at + 2])
    return octets[at + 2 : at + 2 + length].decode(), at + 2 + length


def _varint(octets: bytes, at: int) -> tuple[int, int]:
    value = shift = 0
    while True:
        octet = octets[at]
        value |= (octet & 0x7F) << shift
        at, shift = at + 1, shift + 7
        if octet < 0x80:
            return value, at
