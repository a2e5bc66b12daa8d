"""Sending over one connection: several messages under way at once, in order, counted in order."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Final

from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

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
        """acked is called for each message, in order and without a hole."""
        window: deque[tuple[Sent, asyncio.Task[None]]] = deque()

        async def oldest() -> None:
            sent, task = window.popleft()
            # not `await task`: that hands a cancellation of ours down to it, and asyncio.wait_for
            # of 3.11, in aiomqtt, loses one that comes with the acknowledgement
            await asyncio.wait((task,))
            task.result()
            acked(sent)

        async with asyncio.TaskGroup() as group:
            for sent in messages:
                if len(window) >= self.client.in_flight:
                    await oldest()
                window.append((sent, group.create_task(self.send_one(sent))))
            while window:
                await oldest()

    async def send_one(self, sent: Sent) -> None:
        """Returns once it is acknowledged. Raises MqttError."""
        properties = None
        if self.is_5 and sent.body is not None:
            properties = properties_of(sent.body, PacketTypes.PUBLISH)
            if sent.body.expires:
                properties.MessageExpiryInterval = self.expiry_s
        await self.client.publish(
            sent.topic,
            b"" if sent.body is None else sent.body.payload,
            qos=1,
            retain=sent.retain,
            properties=properties,
            timeout=self.ack_s,
        )


def properties_of(body: Body, packet: int) -> Properties:
    """MQTT 5.0, 3.3.2.3: payload format, content type, and what the body says of itself."""
    properties = Properties(packet)  # type: ignore[no-untyped-call]
    properties.PayloadFormatIndicator = 1
    properties.ContentType = CONTENT_TYPE
    properties.UserProperty = [("schema", body.schema), ("id", body.id)]
    return properties
