"""aiomqtt's client with its corners filed off; everything here answers a trap met in tests.

- A refused message (MQTT 5) counts as delivered there; here it ends the connection.
- Receive maximum and maximum packet size of the broker are not looked at there.
- Connecting blocks a thread that ending the program would wait for; here nobody waits.
- A connection that is given up leaves its socket with the loop; here it is closed.
- A handshake of TLS that failed leaves its socket to the garbage collector; here it is closed.
- One that is lost in the moment in which it stands is taken for connected; here it is lost.
- Of one that ends before its answer the answer is waited for; here it is told why, at once.
- One that ends without a reason code has an "unspecified error"; here it is told with what.
- A broker may make it hold any amount; here it is left.
- A cancellation that comes together with an answer is lost; here it is not.
"""

from __future__ import annotations

import asyncio
import logging
import math
import socket
import ssl
import threading
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager, suppress
from functools import partial
from types import TracebackType
from typing import Any, Final, Self, TypeVar

import aiomqtt
from paho.mqtt.client import Client as PahoClient
from paho.mqtt.client import ConnectFlags, DisconnectFlags, MQTTv5
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from poller.model import limits
from poller.publishing.mqtt.wire import Wire
from poller.publishing.tls import of_ours

T = TypeVar("T")
# what matters of it is told by us, once and without device text
SILENT: Final = logging.getLogger("bayroll.mqtt")
SILENT.addHandler(logging.NullHandler())
SILENT.propagate = False
UNSPECIFIED: Final = "Unspecified error"  # as paho names it where the line broke
LOOK_UP_S: Final = 0.05  # how soon a connecting thread notices that nobody waits for it


class _Handshaking(ssl.SSLSocket):
    """Closed where the handshake fails, which paho waits for."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except BaseException:
            self.close()
            raise


class Client(aiomqtt.Client):
    """in_flight: messages that the broker takes at once. packet_max: bytes, at first what people
    say of the broker, then the least of that and what it says itself; None: any size.

    will_anyway: the broker tells the will also where we end by our own will. called: a way to the
    broker stood, so that it may have heard of us.
    """

    def __init__(
        self,
        host: str,
        port: int,
        *,
        will_anyway: bool = False,
        packet_max: int | None = None,
        tls_context: ssl.SSLContext | None = None,
        **settings: Any,
    ) -> None:
        if tls_context is not None:
            tls_context.sslsocket_class = _Handshaking
        super().__init__(
            host,
            port,
            logger=SILENT,
            tls_context=tls_context,
            timeout=limits.MQTT_CONNECT_S,
            max_queued_incoming_messages=limits.MQTT_HEARD_MAX,
            max_inflight_messages=limits.MQTT_IN_FLIGHT_MAX,
            socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)],
            **settings,
        )
        self.in_flight = limits.MQTT_IN_FLIGHT_MAX
        self.packet_max = packet_max
        self.called = False
        self._will_anyway = will_anyway
        self._given_up = threading.Event()
        self.pending_calls_threshold = limits.MQTT_IN_FLIGHT_MAX  # that many are as meant
        self._client.connect_timeout = limits.MQTT_CONNECT_S
        self._wire = Wire(self._client)

    async def __aenter__(self) -> Self:
        task = asyncio.current_task()
        before = task.cancelling() if task else 0
        lost = self._disconnected

        def cancelled() -> bool:
            """asyncio.wait_for of 3.11 loses a cancellation that comes with its result."""
            return task is not None and task.cancelling() > before

        try:
            await super().__aenter__()
            if cancelled():
                raise asyncio.CancelledError
            if lost.done():  # aiomqtt forgets a connection that was lost as soon as it stood
                raise aiomqtt.MqttError("lost at once") from lost.exception()
        except BaseException as reason:
            self._given_up.set()
            for one in (lost, self._connected):
                if one.done() and not one.cancelled():
                    one.exception()  # else the loop complains that nobody asked
            # after what the connecting thread has put before the loop already
            self._loop.call_soon(self._drop)
            if cancelled() and not isinstance(reason, asyncio.CancelledError):
                raise asyncio.CancelledError from reason
            raise
        return self

    async def __aexit__(
        self,
        exc_type: type[BaseException] | None,
        exc: BaseException | None,
        tb: TracebackType | None,
    ) -> None:
        """Says goodbye where we end by our own will; else just drops, so that the will is told."""
        try:
            if (exc_type is None or issubclass(exc_type, asyncio.CancelledError)) and self._bye():
                self.timeout = limits.MQTT_GOODBYE_S
                # what goes wrong with a goodbye must not hide the cancellation that brought it
                with suppress(aiomqtt.MqttError):
                    await super().__aexit__(exc_type, exc, tb)
        finally:
            self._given_up.set()
            self._drop()

    def put(
        self, topic: str, payload: bytes, *, retain: bool, properties: Properties | None
    ) -> asyncio.Future[None]:
        """As Wire.put. Of more than in_flight the last wait, and then overtake none."""
        return self._wire.put(topic, payload, retain=retain, properties=properties)

    async def acknowledged(self, taken: asyncio.Future[None], within_s: float) -> None:
        """Raises MqttError where it takes longer."""
        if taken.done():
            return
        try:
            async with asyncio.timeout(within_s):
                await taken
        except TimeoutError:
            raise aiomqtt.MqttError(f"no acknowledgement within {within_s:g} s") from None

    async def _wait_for(self, fut: Awaitable[T], timeout: float | None) -> T:  # noqa: ASYNC109
        """asyncio.wait_for of 3.11, there, loses a cancellation that comes with its result."""
        if timeout is None:
            timeout = self.timeout
        try:
            async with asyncio.timeout(None if timeout == math.inf else timeout):
                return await fut
        except TimeoutError:
            raise aiomqtt.MqttError(f"no answer within {timeout:g} s") from None

    def _bye(self) -> bool:
        """Whether to say goodbye. MQTT 3.1.1 knows none that leaves the will: 3.14.4 there."""
        if self._will_anyway:
            reason = ReasonCode(PacketTypes.DISCONNECT, "Disconnect with will message")
            self._client.disconnect = partial(self._client.disconnect, reason)  # type: ignore[method-assign]
            return self._client.protocol == MQTTv5
        return True

    def _drop(self) -> None:
        if self._disconnected.done() and not self._disconnected.cancelled():
            self._disconnected.exception()  # told already
        if self._misc_task is not None:
            self._misc_task.cancel()
        sock = self._client.socket()
        if sock is not None and sock.fileno() >= 0:
            self._loop.remove_reader(sock.fileno())
            self._loop.remove_writer(sock.fileno())
            sock.close()

    def _client_connect(self) -> None:
        """Called in a thread of the loop's pool; the work is done in one that nothing waits for."""
        failed: list[Exception] = []
        done = threading.Event()
        connect = super()._client_connect

        def work() -> None:
            try:
                connect()
            except Exception as reason:  # handed to the caller, who knows what may be raised
                failed.append(reason)
            finally:
                done.set()
            if self._given_up.is_set():
                with suppress(RuntimeError):  # the loop is closed, and the program ends
                    # not closed here: the loop would go on watching its number
                    self._loop.call_soon_threadsafe(self._drop)

        threading.Thread(target=work, name="mqtt connect", daemon=True).start()
        while not done.wait(LOOK_UP_S):
            if self._given_up.is_set():
                raise OSError("given up")
        if failed:
            raise failed[0]

    def _on_socket_open(self, client: PahoClient, userdata: Any, sock: Any) -> None:
        """Called in the connecting thread."""
        self.called = True

        def watch() -> None:
            self._when_open(self._loop.add_reader, sock, self._readable)
            if not self._given_up.is_set():
                self._misc_task = self._loop.create_task(self._misc_loop())

        self._loop.call_soon_threadsafe(watch)

    def _on_socket_register_write(self, client: PahoClient, userdata: Any, sock: Any) -> None:
        def watch() -> None:
            # unless paho has written it all meanwhile and would never call this off again
            if self._client._registered_write:
                with self._lost_by_any_failure():  # the loop may have ended its watch
                    self._when_open(self._loop.add_writer, sock, self._writable)

        self._loop.call_soon_threadsafe(watch)

    def _on_socket_unregister_write(self, client: PahoClient, userdata: Any, sock: Any) -> None:
        if sock.fileno() >= 0:  # else dropped by us, and told by paho when it is cleared away
            super()._on_socket_unregister_write(client, userdata, sock)

    def _when_open(self, add: Callable[..., None], sock: Any, callback: Callable[[], Any]) -> None:
        """Asked in the loop: the number of a socket that was closed may be another one's by now."""
        if not self._given_up.is_set() and sock.fileno() >= 0:
            add(sock.fileno(), callback)

    def _readable(self) -> None:
        with self._lost_by_any_failure():
            while True:
                self._client.loop_read()
                self._wire.look()
                if not self._wire.more:
                    return

    def _writable(self) -> None:
        with self._lost_by_any_failure():
            self._wire.join()
            self._client.loop_write()

    @contextmanager
    def _lost_by_any_failure(self) -> Iterator[None]:
        """paho raises whatever it stumbles over in a packet that is none."""
        try:
            yield
        except asyncio.CancelledError:
            pass  # aiomqtt asks a future that was cancelled: we are leaving
        except Exception as reason:
            if not self._disconnected.done():
                self._disconnected.set_exception(reason)
            self._drop()  # at once, since there may be more to read

    def _on_connect(
        self,
        client: PahoClient,
        userdata: Any,
        flags: ConnectFlags,
        reason_code: ReasonCode,
        properties: Properties | None = None,
    ) -> None:
        # MQTT 5.0, 3.2.2.3.3 and 3.2.2.3.6; absent: 65,535 messages, any size
        if properties is not None:
            self.in_flight = min(self.in_flight, getattr(properties, "ReceiveMaximum", 65_535))
            told = self.packet_max, getattr(properties, "MaximumPacketSize", None)
            self.packet_max = min((one for one in told if one is not None), default=None)
        if reason_code.is_failure and not self._connected.done():
            self._connected.set_exception(Refused(f"it does not let us in: {reason_code}"))
            return
        super()._on_connect(client, userdata, flags, reason_code, properties)

    def _on_disconnect(
        self,
        client: PahoClient,
        userdata: Any,
        flags: DisconnectFlags,
        reason_code: ReasonCode,
        properties: Properties | None = None,
    ) -> None:
        if not self._connected.done():  # it may be the connecting thread that is here
            self._loop.call_soon_threadsafe(self._hung_up)
        elif reason_code == UNSPECIFIED and not flags.is_disconnect_packet_from_server:
            if not self._disconnected.done():
                self._disconnected.set_exception(HungUp(self._wire.fault))
        else:
            super()._on_disconnect(client, userdata, flags, reason_code, properties)

    def _hung_up(self) -> None:
        """As a broker does that TLS 1.3 let in before it had looked at our certificate."""
        if not (self._given_up.is_set() or self._connected.done()):
            self._connected.set_exception(HungUp(self._wire.fault, "without an answer"))

    def _on_publish(
        self,
        client: PahoClient,
        userdata: Any,
        mid: int,
        reason_code: ReasonCode,
        properties: Properties,
    ) -> None:
        if reason_code.is_failure:
            if not self._disconnected.done():
                says = f"it lets us in, and does not take what we publish: {reason_code}"
                self._disconnected.set_exception(Refused(says))
            return
        if not self._wire.taken(mid):
            super()._on_publish(client, userdata, mid, reason_code, properties)


class Refused(aiomqtt.MqttError):
    """The broker said no, to us or to a message."""


class HungUp(aiomqtt.MqttError):
    """The broker ended the connection without a reason code. fault: with what; None: no word."""

    def __init__(self, fault: OSError | None, *how: str) -> None:
        says = " ".join(("it hung up", *how))
        super().__init__(says if fault is None else f"{says}: {fault}{of_ours(fault)}")
