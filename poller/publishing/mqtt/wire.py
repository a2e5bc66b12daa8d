"""Messages and acknowledgements on paho's socket, where there may be very many at once.

- What waits together goes out in one write; paho sends each by itself, and each time gives up the
  interpreter, for which another thread may wait.
- What comes is read together; paho asks three times for a packet of four octets, and would take
  one of 256 MB.
- An acknowledgement that says no more than taken is taken here; paho takes ten times as long.
"""

from __future__ import annotations

import asyncio
import socket
import ssl
from typing import Any, Final

import aiomqtt
from paho.mqtt.client import MQTT_ERR_SUCCESS, PUBACK, PUBLISH, time_func
from paho.mqtt.client import Client as PahoClient
from paho.mqtt.properties import Properties

from poller.model import limits

ANSWERS_MAX: Final = 4 * limits.MQTT_IN_FLIGHT_MAX  # packets that wait to be sent
PACKET_TYPE: Final = 0xF0  # of a packet's first octet; the rest of it are flags
JOINED_OCTETS: Final = 64 * 1024  # sent at once, or one message that is longer
FAILURE: Final = 0x80  # the least reason code that is one: MQTT 5.0, 2.4
QUICKACK: Final[int | None] = getattr(socket, "TCP_QUICKACK", None)  # of Linux alone


class Wire:
    """Of one connection. Made inside its event loop. fault: what reading ended with."""

    def __init__(self, paho: PahoClient) -> None:
        self._paho = paho
        self._loop = asyncio.get_running_loop()
        self._under_way: dict[int, asyncio.Future[None]] = {}  # bounded by who puts
        self._heard = b""  # read, and not yet asked for by paho
        self._failed = False  # the connection; what came before that is read still
        self.fault: OSError | None = None
        self._receive = paho._sock_recv
        paho._sock_recv = self._receive_little  # type: ignore[method-assign]

    def put(
        self, topic: str, payload: bytes, *, retain: bool, properties: Properties | None
    ) -> asyncio.Future[None]:
        """Sends at QoS 1; the future is done once the broker has acknowledged. Raises MqttError.

        publish() of aiomqtt makes an event, a task and a timer for each message.
        """
        info = self._paho.publish(topic, payload, 1, retain, properties)
        if info.rc != MQTT_ERR_SUCCESS:
            raise aiomqtt.MqttCodeError(info.rc, "could not publish")
        taken = self._under_way[info.mid] = self._loop.create_future()
        return taken

    def taken(self, number: int) -> bool:
        """The broker took that message; False: it is not one of these."""
        future = self._under_way.pop(number, None)
        if future is not None and not future.done():
            future.set_result(None)
        return future is not None

    # What goes.

    def join(self) -> None:
        """What waits becomes one packet for paho, who wants to know nothing of these when sent."""
        waiting = self._paho._out_packet
        if not waiting:
            return
        joined = waiting.popleft()
        while waiting and _is_ours(joined) and _is_ours(waiting[0]):
            if len(joined["packet"]) > JOINED_OCTETS:
                break
            more = waiting.popleft()
            joined["packet"] += more["packet"]
            joined["to_process"] += more["to_process"]
        waiting.appendleft(joined)

    # What comes.

    @property
    def more(self) -> bool:
        """Something was read, or decrypted, that paho has not asked for yet; or the connection has
        failed, which the read after the last octets says. Over a socket that failed uvloop calls
        once, and watches it no longer."""
        sock = self._paho.socket()
        if not isinstance(sock, socket.socket):
            return False
        if sock.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR):  # told once
            self._failed = True
        decrypted = isinstance(sock, ssl.SSLSocket) and sock.pending()
        return bool(self._failed or self._heard or decrypted)

    def look(self) -> None:
        """Raises Overwhelmed. paho keeps a QoS 2 message until it is released, and lines up an
        answer to whatever calls for one."""
        held = len(self._paho._in_messages)
        if held > limits.MQTT_HEARD_MAX or len(self._paho._out_packet) > ANSWERS_MAX:
            raise Overwhelmed("the broker sends more than it has reason to")

    def _receive_little(self, bufsize: int) -> bytes:
        """What paho asks for, of what was read at once."""
        if bufsize > limits.MQTT_HEARD_BYTES_MAX:
            raise Overwhelmed(f"the broker begins a packet of {bufsize} octets")
        if not self._heard:
            self._heard = self._receive_much()
            self._say_received()
        if self._paho._in_packet["command"] == 0 and self._take_acks() and not self._heard:
            raise BlockingIOError
        some, self._heard = self._heard[:bufsize], self._heard[bufsize:]
        return some

    def _receive_much(self) -> bytes:
        try:
            return self._receive(limits.MQTT_HEARD_BYTES_MAX)
        except BlockingIOError:
            if self._failed:
                raise ConnectionResetError("the connection failed") from None
            raise
        except OSError as reason:  # paho says of it that there is one
            self.fault = reason
            raise

    def _take_acks(self) -> int:
        """Those where a packet begins that say no more than taken; how many octets they were."""
        at = 0
        while len(packet := self._heard[at : at + 5]) >= 4 and packet[0] == PUBACK:
            with_reason = packet[1] == 3 and len(packet) == 5 and packet[4] < FAILURE
            if packet[1] != 2 and not with_reason:
                break
            number = int.from_bytes(packet[2:4], "big")
            if number not in self._paho._out_messages or not self.taken(number):
                break
            self._paho._out_messages.pop(number)
            self._paho._inflight_messages -= 1
            at += 5 if with_reason else 4
        if at:
            self._heard = self._heard[at:]
            self._paho._last_bytes_received = time_func()
            if len(self._paho._out_messages) > self._paho._inflight_messages:
                with self._paho._out_message_mutex:
                    self._paho._update_inflight()  # of those that had no room, the next
        return at

    def _say_received(self) -> None:
        """By TCP, at once: a broker that gathers small packets (Nagle, RFC 896) sends no second
        acknowledgement before that, and the system would wait some 40 ms. It forgets this again."""
        sock = self._paho.socket()
        if isinstance(sock, socket.socket) and QUICKACK is not None:
            sock.setsockopt(socket.IPPROTO_TCP, QUICKACK, 1)


def _is_ours(packet: Any) -> bool:
    """A message at QoS 1."""
    return bool(packet["command"] & PACKET_TYPE == PUBLISH and packet["qos"] == 1)


class Overwhelmed(aiomqtt.MqttError):
    """The broker sends what we did not ask for, and too much of it."""
