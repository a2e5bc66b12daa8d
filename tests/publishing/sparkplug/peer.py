"""Sparkplug as its octets lie on the wire, read without any library for MQTT or protocol buffers.

Sources: OASIS MQTT 5.0 and 3.1.1, chapters 2 and 3; protocol buffers' encoding (wire types 0 to 2
and 5); the fields of Sparkplug Specification 3.0.0, chapter 6.4, in tests/checks.
"""

from __future__ import annotations

import asyncio
import csv
import struct
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from tests.publishing.brokers import Wire
from tests.publishing.mqtt.packets import _properties, _text, _varint, packets

CHECKS: Final = Path(__file__).parents[2] / "checks"
CONNECT, PUBLISH, SUBSCRIBE, DISCONNECT = 1, 3, 8, 14


def rows(name: str) -> list[dict[str, str]]:
    with (CHECKS / name).open(newline="") as lines:
        return list(csv.DictReader(lines))


FIELDS: Final = {
    (row["message"], int(row["number"])): (row["field"], row["type"])
    for row in rows("sparkplug_fields.csv")
}
MANY: Final = {"metrics", "keys", "values"}
DATATYPES: Final = {int(row["code"]): row for row in rows("sparkplug_datatypes.csv")}


def decode(octets: bytes, message: str = "Payload") -> dict[str, Any]:
    """Fields by name; those that may come more than once as lists. Others than the table's fail."""
    found: dict[str, Any] = {}
    at = 0
    while at < len(octets):
        tag, at = _varint(octets, at)
        name, kind = FIELDS[message, tag >> 3]
        value: Any
        match tag & 7:
            case 0:
                value, at = _varint(octets, at)
                value = bool(value) if kind == "bool" else value
            case 1:
                (value,), at = struct.unpack_from("<d", octets, at), at + 8
            case 2:
                size, at = _varint(octets, at)
                assert at + size <= len(octets), "cut off"
                value, at = octets[at : at + size], at + size
                if kind == "string":
                    value = value.decode()
                elif kind != "bytes":
                    value = decode(value, kind)
            case 5:
                (value,), at = struct.unpack_from("<f", octets, at), at + 4
            case other:
                raise AssertionError(f"wire type {other}")
        if name in MANY:
            found.setdefault(name, []).append(value)
        else:
            assert name not in found, f"{name} twice"
            found[name] = value
    return found


VALUES: Final = ("int_value", "long_value", "boolean_value", "string_value")


def value_of(metric: dict[str, Any]) -> Any:
    """None: null."""
    found = [metric[name] for name in VALUES if name in metric]
    assert len(found) == (0 if metric.get("is_null") else 1), metric
    return found[0] if found else None


def properties_of(metric: dict[str, Any]) -> dict[str, dict[str, Any]]:
    held = metric.get("properties", {})
    return dict(zip(held.get("keys", []), held.get("values", []), strict=True))


@dataclass(frozen=True)
class Connect:
    protocol: str
    clean: bool
    properties: list[tuple[str, Any]]
    will: Said | None


@dataclass(frozen=True)
class Said:
    """A PUBLISH, or the will."""

    topic: str
    qos: int
    retain: bool
    payload: bytes

    @property
    def levels(self) -> list[str]:
        return self.topic.split("/")

    @property
    def verb(self) -> str:
        return self.levels[2]

    @property
    def device(self) -> str:
        return self.levels[4] if len(self.levels) > 4 else ""

    @property
    def body(self) -> dict[str, Any]:
        return decode(self.payload)

    @property
    def metrics(self) -> list[dict[str, Any]]:
        metrics: list[dict[str, Any]] = self.body.get("metrics", [])
        return metrics

    def values(self, *, historical: bool = False) -> dict[str, Any]:
        """By name."""
        return {
            one["name"]: value_of(one)
            for one in self.metrics
            if bool(one.get("is_historical")) is historical
        }


@dataclass
class Session:
    """All that a client said over one connection. disconnect: its reason code; None: none came."""

    connect: Connect
    said: list[Said] = field(default_factory=list)
    subscribed: list[tuple[str, int]] = field(default_factory=list)
    subscribed_before: int = -1  # so many messages went before the last subscription
    disconnect: int | None = None

    def of(self, *verbs: str) -> list[Said]:
        return [one for one in self.said if one.verb in verbs]


def session(octets: bytes) -> Session:
    """Of what came so far; the last packet may be on its way."""
    stream = packets(octets[: _whole(octets)])
    kind, _, rest = next(stream)
    assert kind == CONNECT
    found = Session(_connect(rest))
    five = found.connect.protocol == "5"
    for kind, flags, rest in stream:
        match kind:
            case 3:
                found.said.append(_said(flags, rest, five))
            case 8:
                found.subscribed += _subscribed(rest, five)
                found.subscribed_before = len(found.said)
            case 14:
                found.disconnect = rest[0] if rest else 0
    return found


def _whole(octets: bytes) -> int:
    """How many octets make whole packets."""
    end = 0
    while True:
        try:
            length, at = _varint(octets, end + 1)
        except IndexError:
            return end
        if at + length > len(octets):
            return end
        end = at + length


def _connect(rest: bytes) -> Connect:
    name, at = _text(rest, 0)
    level, flags = rest[at], rest[at + 1]
    assert name == "MQTT"
    five = level == 5
    at += 4
    properties: list[tuple[str, Any]] = []
    if five:
        length, at = _varint(rest, at)
        properties = _properties(rest[at : at + length])
        at += length
    _, at = _text(rest, at)
    will = None
    if flags & 0x04:
        if five:
            length, at = _varint(rest, at)
            at += length
        topic, at = _text(rest, at)
        size = int.from_bytes(rest[at : at + 2])
        payload = rest[at + 2 : at + 2 + size]
        will = Said(topic, flags >> 3 & 3, bool(flags & 0x20), payload)
    return Connect("5" if five else "3.1.1", bool(flags & 0x02), properties, will)


def _said(flags: int, rest: bytes, five: bool) -> Said:
    topic, at = _text(rest, 0)
    qos = flags >> 1 & 3
    at += 2 if qos else 0
    if five:
        length, at = _varint(rest, at)
        at += length
    return Said(topic, qos, bool(flags & 1), rest[at:])


def _subscribed(rest: bytes, five: bool) -> Iterable[tuple[str, int]]:
    at = 2
    if five:
        length, at = _varint(rest, at)
        at += length
    while at < len(rest):
        topic, at = _text(rest, at)
        yield topic, rest[at] & 3
        at += 1


class Tap(Wire):
    """The wire, with what came from the output kept for each connection by itself.

    at_once: how many connections stood at the same time, at most.
    """

    def __init__(self, to_port: int) -> None:
        super().__init__(to_port)
        self._octets: list[list[bytes]] = []
        self._open = self.at_once = 0

    @property
    def sessions(self) -> list[Session]:
        return [session(b"".join(chunks)) for chunks in self._octets if chunks]

    @property
    def now(self) -> Session:
        return self.sessions[-1]

    async def _pass(
        self,
        reader: asyncio.StreamReader,
        writer: asyncio.StreamWriter,
        flowing: asyncio.Event,
        copy: list[bytes] | None,
    ) -> bool:
        if copy is None:
            return await super()._pass(reader, writer, flowing, None)
        copy = []
        self._octets.append(copy)
        self._open += 1
        self.at_once = max(self.at_once, self._open)
        try:
            return await super()._pass(reader, writer, flowing, copy)
        finally:
            self._open -= 1
