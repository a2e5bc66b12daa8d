"""What an MQTT broker sends: any octets behind a connection that was accepted, or was not."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Callable
from functools import cache
from typing import Any, Final

import aiomqtt

from poller.model import limits
from poller.publishing.mqtt.client import Client
from poller.publishing.mqtt.wire import ANSWERS_MAX
from poller.site.settings import Site
from tests.fuzz.octets import Octets
from tests.publishing.world import House, changed, first_read, listed, site

ENDS_S: Final = 10.0  # a machine may be slow; what ends at once ends long before
BURST: Final = limits.MQTT_HEARD_MAX + limits.MQTT_IN_FLIGHT_MAX  # packets that paho reads at once
ANSWER_S: Final = 0.05  # in place of five seconds
# MQTT 3.1.1, 3.2 and MQTT 5.0, 3.2: accepted; in 5 with a receive maximum of 3
ACCEPTED: Final = {"5": bytes.fromhex("20 06 00 00 03 21 00 03"), "3.1.1": b"\x20\x02\x00\x00"}


@cache
def loop() -> asyncio.AbstractEventLoop:
    made = asyncio.new_event_loop()
    made.set_exception_handler(_noted)
    return made


NOTED: Final[list[dict[str, Any]]] = []


def _noted(_: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
    NOTED.append(context)


def broker(data: bytes) -> None:
    """A connection over which these octets come: it ends as lost, at once, and holds little."""
    NOTED.clear()
    limits.MQTT_GOODBYE_S = ANSWER_S  # type: ignore[misc] # nobody here would hear it
    loop().run_until_complete(_connected(Octets(data)))
    assert not NOTED, NOTED


async def _connected(given: Octets) -> None:
    how = given.number()
    protocol = "5" if how & 1 else "3.1.1"
    accepted = ACCEPTED[protocol] if given.number(15) else b""
    cancelled_after = 1 + (how >> 4) if how & 8 else None
    ours, theirs = socket.socketpair()
    theirs.setblocking(False)
    theirs.send(accepted + given.rest())
    if cancelled_after is None:
        theirs.shutdown(socket.SHUT_WR)
    house = House()
    await house.commit(listed(), first_read(), changed("1.1"))
    output = house.mqtt(_site(protocol))
    opened = list[socket.socket]()
    client = _over(ours, output._client(), opened)
    output._client = lambda: client  # type: ignore[method-assign]
    work = asyncio.ensure_future(output.deliver(house.recorded, house.durable.state))
    task = asyncio.ensure_future(output._connection())
    for _ in range(cancelled_after or 0):
        await asyncio.sleep(0)
    cancelled = cancelled_after is not None and task.cancel()
    done, _ = await asyncio.wait((task,), timeout=ENDS_S)
    theirs.close()
    work.cancel()
    await asyncio.wait((work,))
    assert done, "does not end"
    if not task.cancelled():
        assert not cancelled, f"forgot that it was cancelled: {task.exception()!r}"
        _expected(task.exception())
    assert client.in_flight in range(1, limits.MQTT_IN_FLIGHT_MAX + 1)
    _little(client)
    if opened:
        await _closed(ours)
    ours.close()


def _over(ours: socket.socket, client: Client, opened: list[socket.socket]) -> Client:
    """As the output made it, with a connection that stands already; opened: if it was taken."""

    def taken() -> socket.socket:
        opened.append(ours)
        return ours

    client.timeout = ANSWER_S
    client._client._create_socket = taken  # type: ignore[method-assign]
    return client


@cache
def _site(protocol: str) -> Site:
    return site({"host": "127.0.0.1", "protocol": protocol, "keepalive_s": 5})


def _expected(reason: BaseException | None) -> None:
    """What the output takes for a lost connection; anything else would end it."""
    if isinstance(reason, BaseExceptionGroup):
        _, other = reason.split((aiomqtt.MqttError, OSError))
        assert other is None, repr(other)
    else:
        assert isinstance(reason, aiomqtt.MqttError | OSError), repr(reason)


def _little(client: Client) -> None:
    paho = client._client
    assert len(paho._in_messages) <= limits.MQTT_HEARD_MAX + BURST
    assert len(paho._out_packet) <= ANSWERS_MAX + BURST
    assert client._queue.qsize() <= limits.MQTT_HEARD_MAX
    assert len(paho._in_packet["packet"]) <= limits.MQTT_HEARD_BYTES_MAX


async def _closed(ours: socket.socket) -> None:
    """At once, or by the connecting thread as soon as it sees that nobody waits."""
    until = loop().time() + ENDS_S
    while ours.fileno() >= 0:
        assert loop().time() < until, "a socket was left open"
        await asyncio.sleep(0.001)
    await asyncio.sleep(0)
    watched = [one.fd for one in loop()._selector.get_map().values()]  # type: ignore[attr-defined]
    assert watched == [loop()._ssock.fileno()], "a closed socket is still watched"  # type: ignore[attr-defined]


TARGETS: Final[dict[str, Callable[[bytes], None]]] = {"broker": broker}
