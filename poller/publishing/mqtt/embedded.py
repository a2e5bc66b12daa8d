"""A broker inside the demo's own process, on loopback: MQTT 3.1.1, nothing kept over a stop."""

from __future__ import annotations

import asyncio
import logging
import warnings
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, suppress
from typing import Any, Final

with warnings.catch_warnings():
    warnings.simplefilter("ignore", DeprecationWarning)
    from amqtt.broker import Broker
    from amqtt.mqtt.protocol.broker_handler import BrokerProtocolHandler
    from amqtt.session import Session

STOP_S: Final = 1.0  # of the two seconds within which the demo ends
SILENT: Final = logging.getLogger("amqtt")


class _Snapshots(dict[str, Any]):
    """Goes on over what was there at the start: the broker awaits while it walks its filters."""

    def __iter__(self) -> Iterator[str]:
        return iter(list(super().keys()))

    def items(self) -> Any:
        return list(super().items())


class EmbeddedBroker(Broker):  # type: ignore[misc, unused-ignore]
    """Sends a client retained messages for its own filters only; amqtt does so for everybody's.

    What it has acknowledged it passes on; amqtt drops it where its sender is gone by then. Who
    hangs up before its CONNECT is hung up on; amqtt keeps the line.
    """

    def __init__(self, host: str, port: int) -> None:
        super().__init__(
            {
                "listeners": {"default": {"type": "tcp", "bind": f"{host}:{port}"}},
                "plugins": {
                    "amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}
                },
            }
        )
        self._subscriptions = _Snapshots()
        self._connected: set[asyncio.StreamWriter] = set()

    async def stream_connected(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, listener_name: str
    ) -> None:
        self._connected.add(writer)
        try:
            await super().stream_connected(reader, writer, listener_name)
        finally:
            writer.close()
            self._connected.discard(writer)

    async def _publish_retained_messages_for_subscription(
        self, subscription: tuple[str, int], session: Session
    ) -> None:
        topic_filter, _ = subscription
        for subscriber, qos in self._subscriptions.get(topic_filter, ()):
            if subscriber.client_id == session.client_id:
                await super()._publish_retained_messages_for_subscription(
                    (topic_filter, qos), session
                )

    async def _client_message_loop(
        self, client_session: Session, handler: BrokerProtocolHandler
    ) -> None:
        turns: dict[str, tuple[Any, Any]] = {
            "subscribe": (handler.get_next_pending_subscription, self._handle_subscription),
            "unsubscribe": (handler.get_next_pending_unsubscription, self._handle_unsubscription),
            "deliver": (handler.mqtt_deliver_next_message, self._handle_message_delivery),
        }
        waiting = {name: asyncio.ensure_future(take()) for name, (take, _) in turns.items()}
        gone = asyncio.ensure_future(handler.wait_disconnect())
        left = client_session.delivered_message_queue
        try:
            while not gone.done() or waiting["deliver"].done() or not left.empty():
                await asyncio.wait((gone, *waiting.values()), return_when=asyncio.FIRST_COMPLETED)
                for name, (take, handle) in turns.items():
                    if waiting[name].done():
                        if await handle(client_session, handler, waiting[name]) is False:
                            return  # a topic that nobody may publish to
                        waiting[name] = asyncio.ensure_future(take())
            await self._handle_disconnect(client_session, handler, gone)
        finally:
            for task in (gone, *waiting.values()):
                task.cancel()
            await asyncio.gather(gone, *waiting.values(), return_exceptions=True)

    def hear_nobody(self) -> None:
        """Gives its port back, however long it takes to end with those who are connected."""
        for server in self._servers.values():
            if server.instance is not None:
                server.instance.close()

    def let_all_go(self) -> None:
        """So that they notice, and nothing that is left of the broker goes on answering them."""
        for writer in self._connected:
            writer.transport.abort()

    @property
    def address(self) -> tuple[str, int]:
        server: Any = self._servers["default"].instance
        host, port = server.sockets[0].getsockname()[:2]
        return host, port


@asynccontextmanager
async def embedded_broker(host: str = "127.0.0.1", port: int = 0) -> AsyncIterator[tuple[str, int]]:
    """Host and port while it runs; port 0: any that is free."""
    SILENT.setLevel(logging.CRITICAL)
    SILENT.propagate = False
    if not SILENT.handlers:
        SILENT.addHandler(logging.NullHandler())
    broker = EmbeddedBroker(host, port)
    await broker.start()
    try:
        yield broker.address
    finally:
        broker.hear_nobody()
        # it may wait for a client that never said anything
        try:
            with suppress(TimeoutError):
                async with asyncio.timeout(STOP_S):
                    await broker.shutdown()
        finally:
            broker.let_all_go()
