"""The process that serves OPC UA: ended, stalled, started again; and nobody else is held up."""

from __future__ import annotations

import asyncio
import importlib.util
import os
import signal
import socket
from pathlib import Path
from typing import Any

import pytest

from poller.model.alarms import AlarmState
from poller.model.problems import Faulty
from tests.publishing.brokers import HOST
from tests.publishing.opcua.peer import (
    STARTS_S,
    Alarms,
    Bench,
    acknowledge,
    node,
)
from tests.publishing.peers import Fast
from tests.publishing.test_outputs import never_held_up
from tests.publishing.world import Q07, SILENT, Running, alarmed, changed, first_read, listed, until


@pytest.fixture
async def bench(tmp_path: Path) -> Bench:
    one = Bench(tmp_path)
    await one.house.commit(listed(), first_read(), alarmed())
    return one


def children() -> list[int]:
    """Process ids of the servers that we started."""
    found = []
    for path in Path("/proc").glob("[0-9]*"):
        try:
            parent = int((path / "stat").read_text().rsplit(")", 1)[1].split()[1])
            words = (path / "cmdline").read_bytes().split(b"\0")
        except OSError:
            continue  # it ended meanwhile
        if parent == os.getpid() and b"poller.publishing.opcua.server" in words:
            found.append(int(path.name))
    return found


async def test_one_that_is_killed_comes_back_with_all_that_stands(bench: Bench) -> None:
    async with bench.running() as output:
        async with bench.client() as client:
            alarms = Alarms(client)
            await alarms.watch()
            (_, before, _) = await alarms.refresh()
            (pid,) = children()
            os.kill(pid, signal.SIGKILL)
            await until(lambda: output.status().connected is False)
        assert "ended by signal 9" in output.status().says
        await bench.house.commit(changed("2.0"))
        await until(lambda: output.status().connected, within_s=STARTS_S)
        async with bench.client() as client:
            alarms = Alarms(client)
            await alarms.watch()
            await until_told(client)
            (_, after, _) = await alarms.refresh()
            assert after.EventId == before.EventId
            await acknowledge(client, before.EventId)
    assert bench.house.acks[0][0].alarm == SILENT


async def until_told(client: Any) -> None:
    """It serves before it was told everything."""
    async with asyncio.timeout(20):
        while True:
            value = await node(client, f"relay/{Q07}/swRev").read_data_value(
                raise_on_bad_status=False
            )
            if value.Value.Value == "2.0":
                return
            await asyncio.sleep(0.01)


@pytest.mark.parametrize("trouble", [signal.SIGKILL, signal.SIGSTOP])
async def test_whatever_becomes_of_it_nobody_else_is_held_up(
    bench: Bench, trouble: signal.Signals
) -> None:
    neighbour, output = Fast(), bench.output()
    pump = bench.house.pump(output, neighbour)
    async with Running(pump.run()):
        await until(lambda: output.status().connected, within_s=STARTS_S)
        async with never_held_up():
            (pid,) = children()
            os.kill(pid, trouble)
            for number in range(50):
                await bench.house.commit(*(changed(str(number)) for _ in range(20)))
                await asyncio.sleep(0.01)
            await until(lambda: neighbour.seqs == [one.seq for one in bench.house.recorded])
            assert pump.status()[0].lag > 0


async def test_a_client_that_takes_nothing_holds_up_nobody(bench: Bench) -> None:
    async with bench.running(), bench.client() as client, bench.client("Shift") as slow:
        alarms, stalled = Alarms(client), Alarms(slow)
        await alarms.watch()
        await stalled.watch()
        slow.uaclient.protocol.transport.pause_reading()
        async with never_held_up():
            for _ in range(100):
                await bench.house.commit(alarmed(AlarmState.NORMAL), alarmed())
            await until(lambda: len(alarms.of()) == 200)
        slow.uaclient.protocol.transport.resume_reading()


async def test_a_port_that_somebody_has_is_told(bench: Bench) -> None:
    with socket.socket() as other:
        other.bind((HOST, bench.port))
        other.listen()
        output = bench.output()
        async with Running(bench.house.pump(output).run()):
            await until(lambda: "can't be opened" in output.status().says, within_s=STARTS_S)
            assert output.status().connected is False


async def test_a_password_that_is_not_to_be_had_is_told(bench: Bench) -> None:
    del bench.house.secrets["SHIFT"]
    output = bench.output()
    async with Running(output.run()):
        await until(lambda: "SHIFT is not set" in output.status().says, within_s=STARTS_S)


def test_without_the_library_it_says_how_to_get_it(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None)
    with pytest.raises(Faulty, match=r"pip install 'bayroll\[opcua\]'"):
        bench.output()
