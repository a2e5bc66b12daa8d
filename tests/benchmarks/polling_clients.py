"""Who asks: Bayroll, pymodbus's client, and a protocol that only sends and receives.

python -m tests.benchmarks.polling_clients WHO COUNT PORT STATUS_S WARM_S SECONDS BROKER: one line
of JSON with what this process spent, once all are connected and it has run for WARM_S.
"""

from __future__ import annotations

import asyncio
import json
import logging
import os
import resource
import sys
import tempfile
import time
from collections.abc import Awaitable, Callable
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import uvloop
from pymodbus.client import AsyncModbusTcpClient

from poller.edges.garbage import look_seldom
from poller.judging.watch import Watch
from poller.reading.frames import Request, adu, read
from poller.service import Service
from poller.site.settings import Pace
from simulator.net import allow_many_connections
from tests.benchmarks.relays import STATUS, STATUS_REGISTERS, address, site
from tests.benchmarks.running import all_read, running
from tests.benchmarks.running import quiet as quiet_now
from tests.quiet import quiet

UNIT: Final = 255
CONNECTING: Final = 50  # at once
BACK_TO_BACK_S: Final = 0.00001  # due again before any answer can be there
LATENESS_KEPT: Final = 500_000
LATE: list[float] = []  # seconds after it was due that a visit began


async def _window(count: Callable[[], int], warm_s: float, lasts_s: float) -> dict[str, Any]:
    await asyncio.sleep(warm_s)
    LATE.clear()
    reads, cpu, began = count(), _cpu_s(), time.monotonic()
    await asyncio.sleep(lasts_s)
    reads, cpu, wall = count() - reads, _cpu_s() - cpu, time.monotonic() - began
    used = Path("/proc/self/status").read_text().split("VmRSS:")[1].split()[0]
    late = sorted(LATE) or [0.0]
    return {
        "reads": reads,
        "cpu_s": cpu,
        "wall_s": wall,
        "rss_kb": int(used),
        "late_p99_s": late[int(0.99 * (len(late) - 1))],
    }


def _cpu_s() -> float:
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


async def bayroll(
    count: int, port: int, status_s: float, warm_s: float, lasts_s: float, broker: int
) -> dict[str, Any]:
    intervals = {"status_s": 1.0, "confirm_s": 1, "nameplate_s": 86_400, "rest_ms": 0}
    outputs = f"broker: {{host: 127.0.0.1, port: {broker}}}\noutputs: {{mqtt: {{}}}}\n"
    asked = site(count, port, intervals=intervals, outputs=outputs if broker else "")
    with tempfile.TemporaryDirectory(prefix="bayroll-bench-") as folder:
        async with running(Path(folder), asked) as service:
            await all_read(service)
            await quiet_now(service)
            look_seldom()  # as bayroll run does, some minutes after its start
            _ask_every(service, status_s)
            if status_s > BACK_TO_BACK_S:
                _note_lateness()
            visits = [service.fleet.endpoint(address(at), port) for at in range(count)]

            def reads() -> int:
                """A visit that is routine is one turn and makes one request."""
                return sum(one.turns for one in visits if one is not None)

            return await _window(reads, warm_s, lasts_s)


def _ask_every(service: Service, status_s: float) -> None:
    """From now on; what nothing is known of yet would be read all the time at such intervals."""
    paces: dict[Pace, Pace] = {}
    for name in service.site.file.by_id:
        unit = service.fleet.unit(name)
        assert unit is not None
        pace = replace(unit.watch.pace, status_s=status_s)
        unit.watch.pace = paces.setdefault(pace, pace)


def _note_lateness() -> None:
    routine = Watch.routine

    def noted(self: Watch, now_mono: float) -> Request | None:
        request = routine(self, now_mono)
        if request is not None and len(LATE) < LATENESS_KEPT:
            LATE.append(now_mono - self.due)
        return request

    Watch.routine = noted  # type: ignore[method-assign]


async def pymodbus(
    count: int, port: int, status_s: float, warm_s: float, lasts_s: float, broker: int
) -> dict[str, Any]:
    reads = 0

    async def ask(client: AsyncModbusTcpClient) -> None:
        nonlocal reads
        while True:
            found = await client.read_holding_registers(
                STATUS, count=STATUS_REGISTERS, device_id=UNIT
            )
            assert len(found.registers) == STATUS_REGISTERS
            reads += 1

    clients = [AsyncModbusTcpClient(address(at), port=port, timeout=30) for at in range(count)]
    for at in range(0, count, CONNECTING):
        assert all(await asyncio.gather(*(one.connect() for one in clients[at : at + CONNECTING])))
    tasks = [asyncio.create_task(ask(one)) for one in clients]
    found = await _window(lambda: reads, warm_s, lasts_s)
    for task in tasks:  # its clients don't end when they are cancelled; the process does
        assert not task.done(), task.result()
    return found


class _Bare(asyncio.Protocol):
    """Looks at nothing of what comes."""

    reads = 0
    REQUEST = adu(1, UNIT, read("holding", STATUS, STATUS_REGISTERS).pdu)

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport: Any = transport
        self._transport.write(self.REQUEST)

    def data_received(self, data: bytes) -> None:
        _Bare.reads += 1
        self._transport.write(self.REQUEST)


async def bare(
    count: int, port: int, status_s: float, warm_s: float, lasts_s: float, broker: int
) -> dict[str, Any]:
    loop = asyncio.get_running_loop()
    for at in range(count):
        await loop.create_connection(_Bare, address(at), port)
    return await _window(lambda: _Bare.reads, warm_s, lasts_s)


CLIENTS: Final[dict[str, Callable[..., Awaitable[dict[str, Any]]]]] = {
    "bayroll": bayroll,
    "pymodbus": pymodbus,
    "bare_protocol": bare,
}

if __name__ == "__main__":
    quiet()
    logging.disable(logging.CRITICAL)
    allow_many_connections()
    who, relays, at, every_s, warm, lasts, mqtt = sys.argv[1:]
    client = CLIENTS[who](
        int(relays), int(at), float(every_s), float(warm), float(lasts), int(mqtt)
    )
    print(json.dumps(uvloop.new_event_loop().run_until_complete(client)), flush=True)
    os._exit(0)
