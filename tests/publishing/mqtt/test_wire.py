"""What goes over the socket, packet by packet: joined, cut, and acknowledged at once."""

from __future__ import annotations

import asyncio
import json
import socket
from collections import deque
from collections.abc import AsyncIterator, Callable, Iterable
from contextlib import asynccontextmanager
from itertools import cycle
from typing import Any, Final, TypeVar

import aiomqtt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from poller.publishing.mqtt.client import Client
from tests.publishing.brokers import HOST, Embedded
from tests.publishing.mqtt.packets import PUBLISH, packets
from tests.publishing.world import House, Running, changed, listed, site, until

R = TypeVar("R")


@pytest.mark.parametrize(
    ("octets", "writes_max"), [(1, 2), (40_000, 1_000)], ids=["small", "more than at once"]
)
async def test_messages_that_wait_together_go_out_together(
    monkeypatch: pytest.MonkeyPatch, octets: int, writes_max: int
) -> None:
    """In order and whole; and an acknowledgement is read at once, not in its three parts."""
    broker = Embedded()
    await broker.start()
    told = [f"{number:02}".encode() * octets for number in range(20)]
    async with aiomqtt.Client(HOST, broker.port) as reader, Client(HOST, broker.port) as client:
        await reader.subscribe("t", qos=1)
        writes, reads = list[int](), list[int]()
        wire, paho = client._wire, client._client
        monkeypatch.setattr(paho, "_sock_send", noting(paho._sock_send, writes))
        monkeypatch.setattr(wire, "_receive", noting(wire._receive, reads))
        taken = [client.put("t", text, retain=False, properties=None) for text in told]
        async with asyncio.timeout(10):
            await asyncio.gather(*taken)
            heard = aiter(reader.messages)
            assert [(await anext(heard)).payload for _ in told] == told
    assert len(writes) <= writes_max
    assert len(reads) <= 2 * len(told)
    await broker.stop()


async def test_a_message_does_not_wait_for_the_one_before_to_be_acknowledged_by_tcp() -> None:
    """Nagle's algorithm beside a delayed acknowledgement (RFC 1122, 4.2.3.2) is 40 ms and more."""
    broker = Embedded()
    await broker.start()
    async with Client(HOST, broker.port) as client:
        sock = client._client.socket()
        assert isinstance(sock, socket.socket)
        assert sock.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)
    await broker.stop()


async def test_a_broker_does_not_wait_for_its_acknowledgement_to_be_acknowledged_by_tcp() -> None:
    """The same the other way round: Mosquitto, for one, gathers small packets unless told not to.
    The system ends this by itself in a connection where one answers the other (tcp(7))."""
    broker = Embedded()
    await broker.start()
    async with Client(HOST, broker.port) as client:
        sock = client._client.socket()
        assert isinstance(sock, socket.socket)
        for _ in range(50):
            await client.acknowledged(client.put("t", b"x", retain=False, properties=None), 5)
        assert sock.getsockopt(socket.IPPROTO_TCP, socket.TCP_QUICKACK)
    await broker.stop()


# MQTT 5.0, 3.4 and 3.13
ACKS: Final = {
    "taken": lambda number: b"\x40\x02" + number,
    "success": lambda number: b"\x40\x03" + number + b"\x00",
    "nobody listens": lambda number: b"\x40\x03" + number + b"\x10",
    "without properties": lambda number: b"\x40\x04" + number + b"\x00\x00",
    "after an answer to a ping": lambda number: b"\xd0\x00\x40\x02" + number,
}


@asynccontextmanager
async def greeted() -> AsyncIterator[Client]:
    """Connected in MQTT 5 to a broker that only greets; what else it says is given by hand."""
    gone = asyncio.Event()

    async def greet(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(1_000)
        writer.write(b"\x20\x03\x00\x00\x00")  # CONNACK: success, no properties
        await reader.read()
        writer.close()
        gone.set()

    server = await asyncio.start_server(greet, HOST)
    async with server:
        port = server.sockets[0].getsockname()[1]
        async with Client(HOST, port, protocol=aiomqtt.ProtocolVersion.V5) as client:
            yield client
        await gone.wait()


class Peer:
    """A broker by hand: takes what the client sends, and says what the client hears."""

    def __init__(self, client: Client) -> None:
        self._client = client
        self._says: deque[bytes] = deque()
        self.took: list[bytes] = []  # numbers of messages, in order
        client._client._sock_send = self._take  # type: ignore[method-assign]
        client._wire._receive = self._say

    def _take(self, octets: bytes) -> int:
        self.took += [rest[3:5] for kind, _, rest in packets(octets) if kind == PUBLISH]
        return len(octets)

    def _say(self, _: int) -> bytes:
        if not self._says:
            raise BlockingIOError
        return self._says.popleft()

    def says(self, octets: bytes, sizes: Iterable[int] = ()) -> None:
        """In pieces of these sizes, and then the rest."""
        for size in (*sizes, len(octets)):
            self._says.extend([octets[:size]] if octets else [])
            octets = octets[size:]
            self._client._readable()
            self._client._writable()

    def put(self, count: int) -> list[asyncio.Future[None]]:
        made = [self._client.put("t", b"", retain=False, properties=None) for _ in range(count)]
        self._client._writable()
        return made


async def test_acknowledgements_are_understood_however_they_are_said_and_cut() -> None:
    """Also where more was put than may be under way: what had no room goes out in its turn."""
    async with greeted() as client:
        peer = Peer(client)

        @given(
            st.integers(1, 50),
            st.lists(st.sampled_from(list(ACKS)), min_size=1),
            st.lists(st.integers(1, 7)),
        )
        def holds(count: int, forms: list[str], sizes: list[int]) -> None:
            peer.took.clear()
            taken, answered = peer.put(count), 0
            assert len(peer.took) == min(count, client.in_flight)
            while answered < len(peer.took):
                said = [
                    ACKS[form](number)
                    for form, number in zip(cycle(forms), peer.took[answered:], strict=False)
                ]
                answered = len(peer.took)
                peer.says(b"".join(said), sizes)
            assert all(one.done() for one in taken)
            assert peer.took == sorted(peer.took, key=lambda one: (one < peer.took[0], one))
            assert (client._client._out_messages, client._client._inflight_messages) == ({}, 0)

        holds()


async def test_what_is_refused_among_others_counts_as_refused_whatever_follows() -> None:
    async with greeted() as client:
        peer = Peer(client)
        taken = peer.put(2)
        first, second = peer.took
        peer.says(b"\x40\x02" + first + b"\x40\x03" + second + b"\x87\x40\x02" + second)
        assert [one.done() for one in taken] == [True, False]
        says = "it lets us in, and does not take what we publish: Not authorized"
        assert str(client._disconnected.exception()) == says


@asynccontextmanager
async def slow(took: list[tuple[str, bytes]]) -> AsyncIterator[int]:
    """The port of a broker of MQTT 3.1.1 that takes each message, but says so a moment later."""

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        later = asyncio.get_running_loop().call_later
        while (first := await reader.read(1)) != b"":
            length, shift = 0, 0
            while (more := (await reader.readexactly(1))[0]) & 0x80:
                length, shift = length + ((more & 0x7F) << shift), shift + 7
            rest = await reader.readexactly(length + (more << shift))
            match first[0] >> 4:
                case 1:  # CONNECT
                    writer.write(b"\x20\x02\x00\x00")
                case 3:  # PUBLISH, at quality of service 1
                    at = 2 + int.from_bytes(rest[:2])
                    took.append((rest[2:at].decode(), rest[at + 2 :]))
                    later(0.05, writer.write, b"\x40\x02" + rest[at : at + 2])
                case 8:  # SUBSCRIBE
                    writer.write(b"\x90\x03" + rest[:2] + b"\x01")
        writer.close()
        gone.set()

    gone = asyncio.Event()
    server = await asyncio.start_server(serve, HOST)
    async with server:
        yield server.sockets[0].getsockname()[1]
        await gone.wait()


async def test_a_goodbye_in_the_middle_of_a_burst_is_told() -> None:
    """It is one more than may be under way."""
    house, took = House(), list[tuple[str, bytes]]()
    await house.commit(listed(), *(changed(f"{number}.0") for number in range(300)))
    async with slow(took) as port:
        of = site({"host": HOST, "port": port, "protocol": "3.1.1"})
        async with Running(house.pump(house.mqtt(of)).run()):
            await until(lambda: len(took) > 100)
    topic, payload = took[-1]
    assert (topic, json.loads(payload)["state"]) == ("bayroll/v1/tarn-hill/poller", "offline")


def noting(call: Callable[[Any], R], noted: list[int]) -> Callable[[Any], R]:
    def noted_call(given: Any) -> R:
        noted.append(1)
        return call(given)

    return noted_call
