"""The client's way out: a connection given up in any state ends at once and leaves nothing."""

from __future__ import annotations

import asyncio
import socket
import ssl
import threading
from collections import deque
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import Any, Final, TypeVar

import aiomqtt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from poller.publishing.mqtt.client import Client
from tests.publishing.brokers import HOST, Embedded
from tests.publishing.peers import mute
from tests.publishing.world import House, Running, listed, site, until

R = TypeVar("R")


async def ended_after(task: asyncio.Task[None], within_s: float) -> bool:
    task.cancel()
    done, _ = await asyncio.wait((task,), timeout=within_s)
    return bool(done)


@pytest.mark.parametrize("tls", [False, True])
async def test_connecting_to_a_mute_peer_can_be_cancelled(tls: bool) -> None:
    async with mute() as port:
        house = House()
        output = house.mqtt(site({"host": HOST, "port": port}))
        if tls:
            output.tls = ssl.create_default_context  # type: ignore[method-assign]
        task = asyncio.ensure_future(output.run())
        await asyncio.sleep(0.3)
        assert await ended_after(task, within_s=1)


async def test_nothing_waits_for_a_thread_that_still_connects() -> None:
    """The loop's own threads are waited for at the end of the program; ours is not one of them."""
    with socket.socket() as full:
        # a listening socket whose queue is full leaves the next connection unanswered
        full.bind((HOST, 0))
        full.listen(0)
        port = full.getsockname()[1]
        waiting = [socket.socket() for _ in range(4)]
        for one in waiting:
            one.setblocking(False)
            one.connect_ex((HOST, port))
        client = Client(HOST, port, keepalive=5)
        task = asyncio.ensure_future(client.__aenter__())
        await asyncio.sleep(0.3)
        mine = [one for one in threading.enumerate() if one.name == "mqtt connect"]
        assert all(one.daemon for one in mine)
        assert await ended_after(task, within_s=1)  # type: ignore[arg-type]
        for one in waiting:
            one.close()


async def test_a_refused_connection_is_told_and_tried_again() -> None:
    house = House()
    broker = Embedded()
    await broker.start()
    await broker.stop()
    await house.commit(listed())
    pump = house.pump(house.mqtt(site({"host": HOST, "port": broker.port, "protocol": "3.1.1"})))
    async with Running(pump.run()):
        await until(lambda: "refused" in pump.status()[0].says)
        await broker.start()
        await until(lambda: pump.status()[0].lag == 0)
    await broker.stop()


async def test_a_cancellation_beside_a_lost_connection_is_not_lost() -> None:
    """Over and over, since it depends on which comes first."""
    broker = Embedded()
    await broker.start()
    for delay_ms in range(0, 60, 3):
        house = House()
        await house.commit(*(listed(f"q{number}-main-1") for number in range(40)))
        of = site({"host": HOST, "port": broker.port, "protocol": "3.1.1"})
        task = asyncio.ensure_future(house.pump(house.mqtt(of)).run())
        await asyncio.sleep(0.03 + delay_ms / 1000)
        assert await ended_after(task, within_s=3), f"still runs, cancelled after {delay_ms} ms"
    await broker.stop()


async def test_the_will_is_left_standing_where_we_fail() -> None:
    """Only who ends by its own will says goodbye; a failure of ours must not look like one."""
    broker = Embedded()
    await broker.start()
    async with aiomqtt.Client(HOST, broker.port) as watcher:
        await watcher.subscribe("gone", qos=1)
        with pytest.raises(ZeroDivisionError):
            async with Client(HOST, broker.port, will=aiomqtt.Will("gone", b"yes", 1)):
                raise ZeroDivisionError
        async with asyncio.timeout(5):
            heard = await anext(aiter(watcher.messages))
    assert heard.payload == b"yes"
    await broker.stop()


async def test_a_cancellation_that_comes_with_the_answer_is_not_lost() -> None:
    """asyncio.wait_for of Python 3.11, which aiomqtt uses, returns the answer and forgets it."""
    client = Client(HOST, 1)
    answer: asyncio.Future[int] = asyncio.get_running_loop().create_future()
    task = asyncio.ensure_future(client._wait_for(answer, 5))
    await asyncio.sleep(0)
    answer.set_result(1)
    task.cancel()
    await asyncio.wait((task,))
    assert task.cancelled()


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
        monkeypatch.setattr(client._client, "_sock_send", noting(client._client._sock_send, writes))
        monkeypatch.setattr(client, "_receive", noting(client._receive, reads))
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


async def test_acknowledgements_are_understood_however_they_are_said_and_cut() -> None:
    async with greeted() as client:
        chunks: deque[bytes] = deque()

        def next_chunk(_: int) -> bytes:
            if not chunks:
                raise BlockingIOError
            return chunks.popleft()

        client._receive = next_chunk

        @given(
            st.lists(st.sampled_from(list(ACKS)), min_size=1, max_size=20), st.lists(st.integers(1))
        )
        def holds(forms: list[str], sizes: list[int]) -> None:
            taken = [client.put("t", b"", retain=False, properties=None) for _ in forms]
            client._writable()
            numbers = [number.to_bytes(2) for number in client._under_way]
            octets = b"".join(ACKS[form](to) for form, to in zip(forms, numbers, strict=True))
            for size in [*(1 + size % 7 for size in sizes), len(octets)]:
                chunks.extend([octets[:size]] if octets else [])
                octets = octets[size:]
                client._readable()
            assert all(one.done() for one in taken)
            assert (client._client._out_messages, client._client._inflight_messages) == ({}, 0)

        holds()


async def test_what_is_refused_among_others_counts_as_refused() -> None:
    async with greeted() as client:
        taken = [client.put("t", b"", retain=False, properties=None) for _ in range(2)]
        first, second = (number.to_bytes(2) for number in client._under_way)
        client._heard = b"\x40\x02" + first + b"\x40\x03" + second + b"\x87"
        client._readable()
        assert [one.done() for one in taken] == [True, False]
        assert str(client._disconnected.exception()) == "Not authorized"


def noting(call: Callable[[Any], R], noted: list[int]) -> Callable[[Any], R]:
    def noted_call(given: Any) -> R:
        noted.append(1)
        return call(given)

    return noted_call
