"""The real service, polling simulated relays, while every output is in trouble of its own kind."""

from __future__ import annotations

import asyncio
import os
import signal
import time
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from random import Random
from typing import Any

import pytest
from structlog.testing import capture_logs

from poller.cli import common
from poller.edges.clock import SystemClock
from poller.publishing.alarm_points.output import open_output as open_alarm_points
from poller.publishing.iec104.output import open_output as open_iec104
from poller.publishing.opcua.output import open_output as open_opcua
from poller.publishing.ports import Output, OutputStatus
from poller.publishing.sparkplug.output import open_output as open_sparkplug
from poller.publishing.syslog.output import open_output as open_syslog
from poller.service import Ports, Service
from simulator.acts import Flag
from simulator.serve import Fleet
from simulator.stage import load_stage
from tests.crash.stand import QUIET, short_site
from tests.publishing.brokers import HOST, free_port
from tests.publishing.peers import Fast, mute
from tests.publishing.world import House, site, until

STATUS_S = 1.0  # as short_site has it
STOPS_S = 3.0  # two by promise, and one for a busy machine


class Failing(Fast):
    """Somebody else's, and wrong in all it does."""

    name = "failing"

    async def run(self) -> None:
        raise RuntimeError("no such luck")

    async def deliver(self, events: Any, state: Any) -> int:
        raise ValueError("nor here")

    def status(self) -> OutputStatus:
        return OutputStatus(connected=False, says="")


def in_trouble(house: House, mute_port: int, keys: Path) -> list[Output]:
    """Dead, mute, misconfigured: each of ours in each way that it can be."""
    dead = free_port()
    tls = {"tls": {"ca": "ca.pem"}}

    def syslog(name: str, **settings: Any) -> Output:
        return open_syslog(house.context(site(), name=name, folder=str(keys), **settings))

    def sparkplug(name: str, port: int) -> Output:
        return open_sparkplug(house.context(site({"host": HOST, "port": port}), name=name))

    return [
        house.mqtt(site({"host": HOST, "port": dead}), name="mqtt-dead"),
        house.mqtt(site({"host": HOST, "port": mute_port}), name="mqtt-mute"),
        sparkplug("sparkplug-dead", dead),
        sparkplug("sparkplug-mute", mute_port),
        syslog("syslog-dead", host=HOST, port=dead, **tls),
        syslog("syslog-mute", host=HOST, port=mute_port, **tls),
        syslog("syslog-no-such-name", host="no-such-name.invalid", **tls),
        syslog("syslog-refused", host=HOST, port=dead, transport="udp"),
        open_alarm_points(house.context(site(), name="points-taken", port=mute_port)),
        Failing(),
    ]


@asynccontextmanager
async def running(folder: Path, outputs: list[Output], house: House) -> AsyncIterator[Any]:
    async with Fleet(load_stage(str(QUIET), common.read_text)) as fleet:
        addresses = {name: str(address) for name, address in fleet.addresses.items()}
        ports = Ports(
            clock=SystemClock(),
            connect=asyncio.get_running_loop().create_connection,
            committer=house.journal,
            reader=house.journal,
            random=Random(1),
            outputs=lambda of, inside: outputs,
            version="1",
        )
        service = Service(common.load(short_site(folder, addresses, None)), ports)
        task = asyncio.create_task(service.run())
        try:
            yield fleet, service, task
        finally:
            task.cancel()
            await asyncio.wait([task])


@pytest.fixture(autouse=True)
def quiet() -> Iterator[None]:
    """Else the failures of one are drawn in colour, at length, in the loop under test."""
    with capture_logs():
        yield


@pytest.mark.timeout(180)
async def test_outputs_in_trouble_hold_up_neither_polling_nor_each_other(
    tmp_path: Path, certified: Path
) -> None:
    house, well = House(), Fast()
    async with mute() as mute_port:
        outputs = [*in_trouble(house, mute_port, certified), well]
        async with running(tmp_path, outputs, house) as (fleet, service, task):
            relays = list(service.site.file.by_id)
            await until(
                lambda: all(
                    one in service.live() and service.state.relays[one].nameplate for one in relays
                ),
                within_s=60,
            )
            before = {one: service.live()[one].at for one in relays}
            began = time.monotonic()
            await until(lambda: all(service.live()[one].at > before[one] for one in relays))
            assert time.monotonic() - began < 8 * STATUS_S, "each was asked again in its turn"
            await fleet.do("q02-main1", Flag(flag="storage_low", standing=True))
            await until(lambda: "storage_low" in service.durable.relays["q02-main1"].flags)
            await until(lambda: well.seqs[-1:] == [service.durable.seq])
            assert well.seqs == list(range(1, service.durable.seq + 1))
            troubled = service.status()["outputs"][:-1]
            assert {one["output"]: one["connected"] for one in troubled} == {
                one.name: False for one in outputs[:-1]
            }
            began = time.monotonic()
            service.stop()
            await task
            assert time.monotonic() - began < STOPS_S


def opcua_processes() -> list[int]:
    """Ours, by the kernel's table."""
    found = []
    for path in Path("/proc").glob("[0-9]*/stat"):
        with suppress(OSError):
            command = (path.parent / "cmdline").read_bytes()
            parent = int(path.read_text().rsplit(")", 1)[1].split()[1])
            if parent == os.getpid() and b"poller.publishing.opcua.server" in command:
                found.append(int(path.parent.name))
    return found


async def called(port: int) -> asyncio.StreamWriter:
    """As soon as it listens."""
    while True:
        with suppress(OSError):
            return (await asyncio.open_connection(HOST, port))[1]
        await asyncio.sleep(0.05)


@pytest.mark.timeout(300)
async def test_killing_a_process_or_a_client_changes_nothing_for_polling_and_other_outputs(
    tmp_path: Path,
) -> None:
    if not os.environ.get("BAYROLL_SKIP_NOTHING"):
        pytest.importorskip("asyncua", reason="asyncua is not installed: the extra opcua")
    house, well, port = House(), Fast(), free_port()
    opcua = open_opcua(
        house.context(site(), name="opcua", folder=str(tmp_path), port=free_port(), anonymous=True)
    )
    iec104 = open_iec104(house.context(site(), name="iec104", port=port))
    async with running(tmp_path, [opcua, iec104, well], house) as (fleet, service, _):
        relays = list(service.site.file.by_id)
        await until(lambda: all(one in service.live() for one in relays), within_s=60)
        for standing in (True, False, True):
            await until(lambda: opcua.status().connected, within_s=90)
            client = await called(port)
            client.write(bytes.fromhex("680407000000"))  # STARTDT, and never a word after it
            for one in opcua_processes():
                os.kill(one, signal.SIGKILL)
            client.transport.abort()
            before = {one: service.live()[one].at for one in relays}
            began = time.monotonic()
            await until(lambda b=before: all(service.live()[one].at > b[one] for one in relays))
            assert time.monotonic() - began < 8 * STATUS_S, "each was asked again in its turn"
            await fleet.do("q02-main1", Flag(flag="storage_low", standing=standing))
            await until(
                lambda s=standing: ("storage_low" in service.durable.relays["q02-main1"].flags) == s
            )
            await until(lambda: well.seqs[-1:] == [service.durable.seq])
        assert well.seqs == list(range(1, service.durable.seq + 1))
