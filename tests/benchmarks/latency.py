"""Changes handed to a running service, and the moment at which each client has heard of them."""

from __future__ import annotations

import asyncio
import random
import re
import socket
import threading
import time
from collections.abc import AsyncIterator, Iterator, Mapping, Sequence
from contextlib import AsyncExitStack, asynccontextmanager, contextmanager, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from poller.alarms.points import alarm_number
from poller.decide import About
from poller.edges.clock import SystemClock
from poller.journal.committer import ThreadCommitter
from poller.journal.reader import Reader
from poller.journal.store import Writer
from poller.judging.findings import Edges
from poller.publishing.opening import open_outputs
from poller.publishing.ports import Context, Inside, Output
from poller.service import Ports, Service
from poller.site.load import load_site
from poller.site.settings import Site
from poller.site.shipped_alarms import TEXT
from tests.peers.libmodbus import Client
from tests.publishing.brokers import HOST, Listener, Mosquitto, free_port

FLAG: Final = "firmware_changed"
APART_S: Final = 0.02
BITS: Final = 2_000  # that one request may ask for
SUBJECT: Final = re.compile(rb'subject="([^"]*)"')
LAST_S: Final = 10.0  # that the last of them may take


@dataclass
class Heard:
    """When a client heard of each relay's alarm, by its own clock's reading (monotonic)."""

    at: dict[str, float] = field(default_factory=dict)

    def note(self, relay: str) -> None:
        self.at.setdefault(relay, time.monotonic())


async def measure(folder: Path, changes: int) -> dict[str, list[float]]:
    """Seconds from each believed change to its commit, and to each client."""
    relays = [f"q{number:04}-main1" for number in range(changes)]
    async with AsyncExitStack() as stack:
        broker = Mosquitto(folder)
        await broker.start()
        stack.push_async_callback(broker.stop)
        syslog = stack.enter_context(_syslog())
        points_port = free_port()
        site = _site(relays, broker.port, syslog.port, points_port)
        service = await stack.enter_async_context(_service(folder, site))
        listener = await stack.enter_async_context(Listener(broker.port))
        while any(line.connected is False for line in service._pump.status()):  # noqa: ASYNC110
            await asyncio.sleep(0.05)
        points = _Points(points_port, service, relays)
        stack.push_async_callback(asyncio.to_thread, points.end)
        began, durable = await _change(service, relays)
        deadline = time.monotonic() + LAST_S
        heard: dict[str, Mapping[str, float]] = {}
        while time.monotonic() < deadline:
            await asyncio.sleep(0.1)
            heard = {
                "durable": durable,
                "mqtt event": _mqtt(listener, "/event"),
                "mqtt alarm list": _mqtt(listener, f".flag.{FLAG}"),
                "modbus points": points.heard.at,
                "syslog": syslog.heard.at,
            }
            if all(len(times) >= changes for times in heard.values()):
                break
        return {
            name: [times[relay] - began[relay] for relay in relays if relay in times]
            for name, times in heard.items()
        }


async def _change(
    service: Service, relays: Sequence[str]
) -> tuple[dict[str, float], dict[str, float]]:
    """When each was believed, and when it was durable."""
    began: dict[str, float] = {}
    durable: dict[str, float] = {}
    waiting: list[asyncio.Task[None]] = []

    async def committed(relay: str, seq: int) -> None:
        await service._durable.wait(seq - 1)
        durable[relay] = time.monotonic()

    for relay in relays:
        edges = Edges(flags={FLAG: True}, last_old_at=None, first_new_at=datetime.now(UTC))
        began[relay] = time.monotonic()
        service._decide(About(relay=relay, finding=edges))
        waiting.append(asyncio.create_task(committed(relay, service.state.seq)))
        await asyncio.sleep(APART_S)
    await asyncio.gather(*waiting)
    return began, durable


def _site(relays: Sequence[str], mqtt: int, syslog: int, points: int) -> Site:
    """Nobody answers at these relays; they are asked so rarely that it costs nothing."""
    listed = "".join(
        f"  - {{id: {name}, bay: {name[:5].upper()}, function: main 1,"
        f" host: 127.9.{number // 200}.{number % 200 + 1}, port: 9, maps: [any]}}\n"
        for number, name in enumerate(relays)
    )
    text = (
        "format: 1\nsite: hollin\nname: Hollin\nalarms: alarms.yaml\n"
        "intervals: {status_s: 3600, nameplate_s: 86400}\n"
        f"broker: {{host: {HOST}, port: {mqtt}}}\n"
        "outputs:\n  mqtt: {}\n"
        f"  alarm_points: {{port: {points}}}\n"
        f"  syslog: {{transport: udp, host: {HOST}, port: {syslog}}}\n"
        f"relays:\n{listed}"
    )
    entry = f"id: flag.{FLAG}\n"
    before, after = TEXT.split(entry)
    # a security event as well, so that syslog tells it; not chattering, as each comes once
    after = after.replace(
        "audience: [operator_alarm]", "audience: [operator_alarm, security_event]", 1
    )
    texts = {"site.yaml": text, "alarms.yaml": before + entry + after}
    return load_site("site.yaml", lambda path: texts[Path(path).name])


@asynccontextmanager
async def _service(folder: Path, site: Site) -> AsyncIterator[Service]:
    with Writer.open(folder / "a.journal") as writer, Reader.open(writer.path) as reader:
        committer = ThreadCommitter(writer)

        def outputs(of: Site, inside: Inside) -> Sequence[Output]:
            def context(name: str) -> Context:
                return Context(
                    name=name,
                    site=of,
                    settings=of.file.outputs[name],
                    reader=reader,
                    committer=committer,
                    live=inside.live,
                    now=SystemClock().utc,
                    secrets=lambda secret: None,
                )

            found, problems = open_outputs(of, context)
            assert not problems, problems
            return found

        ports = Ports(
            clock=SystemClock(),
            connect=asyncio.get_running_loop().create_connection,
            committer=committer,
            reader=reader,
            random=random.Random(1),
            outputs=outputs,
            version="bench",
        )
        service = Service(site, ports)
        task = asyncio.create_task(service.run())
        try:
            await service.started.wait()
            yield service
            service.stop()
            await task
        finally:
            task.cancel()
            await asyncio.wait([task])
            await committer.close()


# Clients.


def _mqtt(listener: Listener, ending: str) -> dict[str, float]:
    found: dict[str, float] = {}
    for one in list(listener.heard):
        if one.topic.endswith(ending) and one.payload:
            body: dict[str, Any] = one.body
            if ending != "/event" or body["kind"] == "alarm_moved":
                found.setdefault(body.get("relay") or body["subject"], one.at)
    return found


@dataclass
class _Syslog:
    """A bare UDP receiver; the relay stands in the structured data."""

    port: int
    heard: Heard = field(default_factory=Heard)


@contextmanager
def _syslog() -> Iterator[_Syslog]:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.bind((HOST, 0))
        sock.settimeout(0.2)
        found = _Syslog(sock.getsockname()[1])
        ended = threading.Event()

        def receive() -> None:
            while not ended.is_set():
                with suppress(TimeoutError):
                    message = sock.recv(8_192)
                    if b" alarm_moved " in message:
                        relay = SUBJECT.search(message)
                        assert relay is not None, message
                        found.heard.note(relay[1].decode())

        thread = threading.Thread(target=receive, name="syslog receiver")
        thread.start()
        yield found
        ended.set()
        thread.join()


class _Points:
    """Reads all discrete inputs over and over, as fast as they come."""

    def __init__(self, port: int, service: Service, relays: Sequence[str]) -> None:
        self.heard = Heard()
        self._ended = threading.Event()
        numbers = {
            relay: alarm_number(service.durable.points, relay, f"flag.{FLAG}") for relay in relays
        }
        self._relays = {number: relay for relay, number in numbers.items() if number is not None}
        self._thread = threading.Thread(target=self._read, args=(port,), name="points client")
        self._thread.start()

    def _read(self, port: int) -> None:
        last = max(self._relays)
        with Client(HOST, port, unit=1) as client:
            while not self._ended.is_set():
                for first in range(0, last + 1, BITS):
                    count = min(BITS, last + 1 - first)
                    for place, stands in enumerate(client.input_bits(first, count), first):
                        if stands:
                            self.heard.note(self._relays[place])

    def end(self) -> None:
        self._ended.set()
        self._thread.join()
