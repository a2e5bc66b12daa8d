"""The client's way out: a connection given up in any state ends at once and leaves nothing."""

from __future__ import annotations

import asyncio
import socket
import ssl
import struct
import threading
from collections.abc import Callable, Coroutine
from contextlib import suppress
from pathlib import Path
from typing import Any

import aiomqtt
import pytest
import uvloop
from structlog.testing import capture_logs

from poller.publishing.mqtt.client import Client
from tests.publishing.brokers import HOST, Embedded
from tests.publishing.peers import mute
from tests.publishing.world import House, Running, listed, site, until


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


async def test_a_broker_that_hangs_up_without_an_answer_is_told_at_once() -> None:
    """As one does that is full; the answer is not waited for."""
    server = await asyncio.start_server(lambda _, writer: writer.close(), HOST, 0)
    port = server.sockets[0].getsockname()[1]
    with pytest.raises(aiomqtt.MqttError, match="it hung up without an answer"):
        await Client(HOST, port, keepalive=5).__aenter__()
    server.close()


async def test_a_broker_that_ends_a_connection_that_stood_is_told_as_such() -> None:
    house = House()
    broker = Embedded()
    await broker.start()
    pump = house.pump(house.mqtt(site({"host": HOST, "port": broker.port, "protocol": "3.1.1"})))
    with capture_logs() as logs:
        async with Running(pump.run()):
            await until(lambda: pump.status()[0].connected)
            await broker.stop()
            await until(lambda: any(one["event"] == "output away" for one in logs))
    (first, *_) = (one["reason"] for one in logs if one["event"] == "output away")
    assert first.startswith(f"{HOST}:{broker.port}: it hung up")


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


RUNS = pytest.mark.parametrize("runs", [asyncio.run, uvloop.run])  # of the tests; of the service
Runs = Callable[[Coroutine[Any, Any, None]], None]
PINGRESP = b"\xd0\x00"
LASTS = {
    "at once": [],
    "after an answer": [PINGRESP],
    "after more than is read at once": [20_000 * PINGRESP],
}


@RUNS
@pytest.mark.parametrize("writes", [False, True])
@pytest.mark.parametrize("last", LASTS)
def test_a_connection_that_is_reset_is_lost_at_once(runs: Runs, writes: bool, last: str) -> None:
    runs(resets(LASTS[last], writes=writes))


@RUNS
@pytest.mark.parametrize("records", [1, 3])
def test_so_is_one_with_tls(runs: Runs, records: int, certified: Path) -> None:
    """Whose records are read one by one."""
    serves = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    serves.load_cert_chain(certified / "server.pem", certified / "server.key")
    asks = ssl.create_default_context(cafile=certified / "ca.pem")
    runs(resets(records * [PINGRESP], serves=serves, asks=asks))


async def resets(
    last: list[bytes],
    *,
    writes: bool = False,
    serves: ssl.SSLContext | None = None,
    asks: ssl.SSLContext | None = None,
) -> None:
    """A broker that sends this and a reset in one turn of the loop, so that they come together."""
    client = Client(HOST, 0, protocol=aiomqtt.ProtocolVersion.V311, keepalive=60, tls_context=asks)
    with socket.create_server((HOST, 0)) as listening:
        client._port = listening.getsockname()[1]

        def accept() -> socket.socket:
            peer, _ = listening.accept()
            if serves is not None:
                peer = serves.wrap_socket(peer, server_side=True)
            peer.recv(1_000)
            peer.send(b"\x20\x02\x00\x00")  # CONNACK
            return peer

        connecting = asyncio.create_task(client.__aenter__())
        peer = await asyncio.to_thread(accept)
        await connecting
    await asyncio.sleep(0.1)  # for what comes after the handshake
    for one in last:
        peer.send(one)
    peer.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    peer.close()
    with suppress(aiomqtt.MqttError):
        if writes:
            client.put("t", b"", retain=False, properties=None)
    async with asyncio.timeout(5):
        await asyncio.wait([client._disconnected])
    assert client._disconnected.exception() is not None
    client._drop()
