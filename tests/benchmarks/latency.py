"""Changes handed to a running service, and the moment at which each client has heard of them."""

from __future__ import annotations

import asyncio
import random
import time
from collections.abc import AsyncIterator, Callable, Collection, Mapping, Sequence
from contextlib import AsyncExitStack, asynccontextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from poller.alarms.points import alarm_number
from poller.decide import About
from poller.edges.clock import SystemClock
from poller.journal.committer import ThreadCommitter
from poller.journal.reader import Reader
from poller.journal.store import Writer
from poller.judging.findings import Answering, Edges
from poller.publishing.opening import open_outputs
from poller.publishing.ports import Context, Inside, Output
from poller.service import Ports, Service
from poller.site.load import load_site
from poller.site.settings import Site
from poller.site.shipped_alarms import TEXT
from tests.benchmarks import clients
from tests.publishing.brokers import HOST, Mosquitto, free_port
from tests.publishing.iec104.control_centre import ControlCentre

FLAG: Final = "firmware_changed"
ALARM: Final = f"flag.{FLAG}"
FIRST_104: Final = 1_000
LAST_S: Final = 30.0  # that the last of them may take


async def measure(
    folder: Path, relays: int, changes: int, apart_s: float
) -> dict[str, list[float]]:
    """Seconds from each believed change to its commit, and to each client."""
    names = [f"q{number:04}-main1" for number in range(relays)]
    async with AsyncExitStack() as stack:
        enter = stack.enter_async_context
        broker = Mosquitto(folder)
        await broker.start()
        stack.push_async_callback(broker.stop)
        syslog = stack.enter_context(clients.syslog())
        ports = {name: free_port() for name in ("alarm_points", "iec104", "opcua")}
        service = await enter(_service(folder, _site(names, broker.port, syslog.port, ports)))
        mqtt, host = (
            clients.Subscriber(broker.port, f"{root}/#", folder / root)
            for root in ("bayroll", "spBv1.0")
        )
        for one in (mqtt, host):
            stack.callback(one.end)
        await _settled(service, all_but={"iec104"})  # which waits for who calls
        centre = await enter(ControlCentre(ports["iec104"]))
        await centre.there()
        opcua = await enter(clients.opcua(ports["opcua"]))
        points = clients.Points(ports["alarm_points"], _numbers(service, names))
        stack.push_async_callback(asyncio.to_thread, points.end)
        for name in names:  # else Sparkplug has no device to tell of
            service._decide(About(relay=name, finding=Answering()))
            await asyncio.sleep(0)
        await _settled(service)
        changed = names[:changes]
        began, durable = await _change(service, changed, apart_s)
        await _quiet(
            service,
            lambda: (mqtt.octets(), host.octets(), len(centre.heard), len(opcua.at)),
        )
        by_address = {FIRST_104 + at: name for at, name in _numbers(service, names).items()}
        heard: dict[str, Mapping[str, float]] = {
            "durable": durable,
            "mqtt event": mqtt.events(),
            "mqtt alarm list": mqtt.alarms(ALARM),
            "modbus points": points.heard.at,
            "syslog": syslog.heard.at,
            "sparkplug": host.metrics(ALARM),
            "opcua": opcua.at,
            "iec104": clients.iec104(centre, by_address),
        }
        return {
            name: [times[relay] - began[relay] for relay in changed if relay in times]
            for name, times in heard.items()
        }


async def _settled(service: Service, all_but: Collection[str] = ()) -> None:
    """Everybody is there, and was told everything."""
    while any(  # noqa: ASYNC110
        line.connected is False or line.lag
        for line in service._pump.status()
        if line.output not in all_but
    ):
        await asyncio.sleep(0.05)


async def _quiet(service: Service, came: Callable[[], tuple[int, ...]]) -> None:
    """Everything was told, and nothing came any more for two seconds; looked at seldom."""
    deadline, last = time.monotonic() + LAST_S, came()
    while time.monotonic() < deadline:
        await asyncio.sleep(2)
        before, last = last, came()
        if last == before and not any(line.lag for line in service._pump.status()):
            return


def _numbers(service: Service, relays: Sequence[str]) -> dict[int, str]:
    """Relays by the number of their alarm."""
    numbers = {alarm_number(service.durable.points, relay, ALARM): relay for relay in relays}
    return {number: relay for number, relay in numbers.items() if number is not None}


async def _change(
    service: Service, relays: Sequence[str], apart_s: float
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
        await asyncio.sleep(apart_s)
    await asyncio.gather(*waiting)
    return began, durable


def _site(relays: Sequence[str], mqtt: int, syslog: int, ports: Mapping[str, int]) -> Site:
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
        f"  alarm_points: {{port: {ports['alarm_points']}}}\n"
        f"  iec104: {{port: {ports['iec104']}, first_address: {FIRST_104}}}\n"
        f"  opcua: {{port: {ports['opcua']}, anonymous: true}}\n"
        "  sparkplug: {}\n"
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
                    state=inside.state,
                    acknowledge=inside.acknowledge,
                    clock_kept=inside.clock_kept,
                    stuck=inside.stuck,
                    now=SystemClock().utc,
                    secrets=lambda secret: None,
                    extra={"folder": str(folder)},
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
