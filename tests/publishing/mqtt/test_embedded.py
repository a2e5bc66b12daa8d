"""The demo's broker: what it must not do, and that it is quiet."""

from __future__ import annotations

import asyncio
import logging
from contextlib import suppress

import aiomqtt
import pytest

from poller.publishing.mqtt.client import Client
from poller.publishing.mqtt.embedded import EmbeddedBroker, embedded_broker
from tests.publishing.brokers import Listener
from tests.publishing.world import until


async def publish_retained(port: int, *topics: str) -> None:
    async with Listener(port, filters=("nothing",)) as plain:
        sent = [plain.client.publish(one, one.encode(), qos=1, retain=True) for one in topics]
        await until(lambda: all(one.is_published() for one in sent))


async def test_a_client_gets_retained_messages_of_its_own_filters_only() -> None:
    """amqtt sends a new client those of every filter that any client has."""
    async with embedded_broker() as (_, port):
        await publish_retained(port, "a/1", "b/1")
        async with Listener(port, filters=("#",)) as everything:
            await until(lambda: len(everything.heard) == 2)
            async with Listener(port, filters=("b/#",)) as some:
                await until(lambda: some.heard)
                await asyncio.sleep(0.2)
    assert [one.topic for one in some.heard] == ["b/1"]


async def test_it_listens_on_loopback_at_a_free_port() -> None:
    async with embedded_broker() as first, embedded_broker() as second:
        assert first[0] == second[0] == "127.0.0.1"
        assert first[1] != second[1]


async def test_its_port_is_free_again_afterwards() -> None:
    async with embedded_broker() as (_, port), Listener(port):
        pass
    async with embedded_broker(port=port) as (_, again):
        assert again == port


async def test_it_logs_nothing(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.DEBUG)
    async with embedded_broker() as (_, port), Listener(port):
        pass
    assert [one for one in caplog.records if one.name.startswith("amqtt")] == []


async def test_it_stops_in_time_though_a_client_says_nothing_and_lets_it_go() -> None:
    async with asyncio.timeout(5):
        async with embedded_broker() as (host, port):
            reader, writer = await asyncio.open_connection(host, port)
            await asyncio.sleep(0.1)
        with suppress(ConnectionResetError):
            assert await reader.read() == b""
        writer.close()


@pytest.mark.parametrize("said", [b"", bytes.fromhex("1010")], ids=["nothing", "half a CONNECT"])
async def test_who_leaves_before_its_connect_is_let_go(said: bytes) -> None:
    async with embedded_broker() as (host, port):
        reader, writer = await asyncio.open_connection(host, port)
        writer.write(said)
        writer.write_eof()
        async with asyncio.timeout(5):
            assert await reader.read() == b""
        writer.close()


async def test_nobody_is_answered_by_what_is_left_of_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """amqtt's own end may hang at any client; the others then were kept by pings for ever."""

    async def hangs(self: EmbeddedBroker) -> None:
        await asyncio.Event().wait()

    monkeypatch.setattr(EmbeddedBroker, "shutdown", hangs)
    async with embedded_broker() as (host, port):
        client = Client(host, port)
        await client.__aenter__()
    async with asyncio.timeout(5):
        with suppress(aiomqtt.MqttError):
            await client._disconnected
    await client.__aexit__(None, None, None)
