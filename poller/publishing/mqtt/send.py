"""Sending over one connection: several messages under way at once, in order, counted in order."""

from __future__ import annotations

import asyncio
import struct
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Final

from paho.mqtt.properties import Properties, VariableByteIntegers

from poller.publishing.mqtt.client import Client
from poller.publishing.projections import Body

CONTENT_TYPE: Final = "application/json"


@dataclass(frozen=True, slots=True, kw_only=True)
class Sent:
    """body None: clears what is retained. seq: of an event."""

    topic: str
    body: Body | None
    retain: bool
    seq: int = 0


@dataclass(frozen=True, slots=True)
class Sender:
    """is_5: MQTT 5, with properties. expiry_s, ack_s: seconds."""

    client: Client
    is_5: bool
    expiry_s: int
    ack_s: float

    async def send(self, messages: Iterable[Sent], acked: Callable[[Sent], None]) -> None:
        """acked is called for each message, in order and without a hole. Raises MqttError."""
        window: deque[tuple[Sent, asyncio.Future[None]]] = deque()

        async def oldest() -> None:
            sent, taken = window.popleft()
            await self.client.acknowledged(taken, self.ack_s)
            acked(sent)

        try:
            for sent in messages:
                if len(window) >= self.client.in_flight:
                    await oldest()
                window.append((sent, self._put(sent)))
            while window:
                await oldest()
        finally:
            for _, taken in window:
                taken.cancel()

    async def send_one(self, sent: Sent) -> None:
        """Returns once it is acknowledged. Raises MqttError."""
        await self.client.acknowledged(self._put(sent), self.ack_s)

    def _put(self, sent: Sent) -> asyncio.Future[None]:
        properties = None
        if self.is_5 and sent.body is not None:
            properties = properties_of(sent.body, self.expiry_s if sent.body.expires else None)
        payload = b"" if sent.body is None else sent.body.payload
        return self.client.put(sent.topic, payload, retain=sent.retain, properties=properties)


class Packed(Properties):
    """In octets already: the library takes as long for them as for all else of sending."""

    _octets: bytes

    def __init__(self, octets: bytes) -> None:
        object.__setattr__(self, "_octets", octets)  # its own takes names of properties only

    def pack(self) -> bytes:
        length: bytes = VariableByteIntegers.encode(len(self._octets))  # type: ignore[no-untyped-call]
        return length + self._octets

    def __str__(self) -> str:
        """For the library's own log."""
        return self._octets.hex()


def properties_of(body: Body, expiry_s: int | None = None) -> Packed:
    """MQTT 5.0, 3.3.2.3: payload format, expiry, content type, and what the body says of itself."""
    expiry = b"" if expiry_s is None else struct.pack(">BI", 0x02, expiry_s)
    about = (_pair("schema", body.schema), _pair("id", body.id))
    return Packed(b"\x01\x01" + expiry + b"\x03" + _text(CONTENT_TYPE) + b"".join(about))


def _pair(name: str, value: str) -> bytes:
    return b"\x26" + _text(name) + _text(value)


def _text(text: str) -> bytes:
    """MQTT 5.0, 1.5.4."""
    octets = text.encode()
    return struct.pack(">H", len(octets)) + octets
