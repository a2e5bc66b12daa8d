"""Changes handed to a running service, and the moment at which each client has heard of them."""

from __future__ import annotations

import asyncio
import gc
import time
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from contextlib import AsyncExitStack
from datetime import UTC, datetime
from math import inf
from pathlib import Path
from statistics import median, quantiles
from typing import Final

from poller.alarms.points import alarm_number
from poller.decide import About
from poller.edges.garbage import look_seldom
from poller.judging.findings import Answering, Edges
from poller.service import Service
from poller.site.load import load_site
from poller.site.settings import Site
from poller.site.shipped_alarms import TEXT
from tests.benchmarks import clients
from tests.benchmarks.report import Report, Wanted
from tests.benchmarks.running import running
from tests.publishing.brokers import HOST, Mosquitto, free_port
from tests.publishing.iec104.control_centre import ControlCentre

FLAG: Final = "firmware_changed"
ALARM: Final = f"flag.{FLAG}"
FIRST_104: Final = 1_000
CLIENTS: Final = ("mqtt", "sparkplug", "alarm_points", "iec104", "opcua", "syslog")
BROKER: Final = "allow_anonymous true\nset_tcp_nodelay true"  # the latter as in config/broker
MS: Final = 1_000
LAST_S: Final = 30.0  # that the last of them may take


async def measure(
    folder: Path, relays: int, changes: int, apart_s: float, outputs: Sequence[str]
) -> Report:
    """outputs: those of CLIENTS, or all."""
    chosen = list(CLIENTS) if list(outputs) == ["all"] else list(outputs)
    if unknown := set(chosen) - set(CLIENTS):
        raise SystemExit(f"no such output: {', '.join(unknown)}; there are {', '.join(CLIENTS)}")
    found = await _measured(folder, relays, changes, apart_s, chosen)
    report = Report(
        title=f"{changes} changes among {relays} relays, {MS * apart_s:g} ms apart",
        columns=("from the change", "median", "99th", "beyond the commit, 99th"),
        wanted={"mqtt_event_p99_beyond_commit_ms": Wanted(bound=50)},
    )
    durable = found.pop("durable")
    for name, times in [("durable", durable), *found.items()]:
        both = sorted(times.keys() & durable.keys())
        beyond = [times[relay] - durable[relay] for relay in both]
        report.rows.append(
            (
                name,
                *(f"{MS * one:.0f} ms" for one in (*_spread(times.values()), _spread(beyond)[1])),
            )
        )
        if name == "mqtt event":
            report.ratios["mqtt_event_p99_beyond_commit_ms"] = MS * _spread(beyond)[1]
        if len(times) < changes:
            report.missing.append(f"{changes - len(times)} changes did not arrive: {name}")
    return report


def _spread(times: Iterable[float]) -> tuple[float, float]:
    """Median and 99th percentile."""
    given = sorted(times)
    return (median(given), quantiles(given, n=100)[-1]) if len(given) > 1 else (inf, inf)


async def _measured(
    folder: Path, relays: int, changes: int, apart_s: float, outputs: Sequence[str]
) -> dict[str, dict[str, float]]:
    """Seconds from each believed change to its commit, and to each client, by relay."""
    names = [f"q{number:04}-main1" for number in range(relays)]
    heard: dict[str, Callable[[], Mapping[str, float]]] = {}
    came: list[Callable[[], int]] = []
    async with AsyncExitStack() as stack:
        enter = stack.enter_async_context
        broker = Mosquitto(folder, settings=BROKER)
        await broker.start()
        stack.push_async_callback(broker.stop)
        syslog = stack.enter_context(clients.syslog())
        ports = {name: free_port() for name in ("alarm_points", "iec104", "opcua")}
        site = _site(names, outputs, broker.port, syslog.port, ports)
        service = await enter(running(folder, site))
        if "mqtt" in outputs:
            mqtt = clients.Subscriber(broker.port, "bayroll/#", folder / "bayroll")
            stack.callback(mqtt.end)
            heard["mqtt event"] = mqtt.events
            heard["mqtt alarm list"] = lambda: mqtt.alarms(ALARM)
            came.append(mqtt.octets)
        if "sparkplug" in outputs:
            host = clients.Subscriber(broker.port, "spBv1.0/#", folder / "spBv1.0")
            stack.callback(host.end)
            heard["sparkplug"] = lambda: host.metrics(ALARM)
            came.append(host.octets)
        await _settled(service, all_but={"iec104"})  # which waits for who calls
        if "iec104" in outputs:
            centre = await enter(ControlCentre(ports["iec104"]))
            await centre.there()
            by_address = {FIRST_104 + at: name for at, name in _numbers(service, names).items()}
            heard["iec104"] = lambda: clients.iec104(centre, by_address)
            came.append(lambda: len(centre.heard))
        if "opcua" in outputs:
            opcua = await enter(clients.opcua(ports["opcua"]))
            heard["opcua"] = lambda: opcua.at
            came.append(lambda: len(opcua.at))
        if "alarm_points" in outputs:
            points = clients.Points(ports["alarm_points"], _numbers(service, names))
            stack.push_async_callback(asyncio.to_thread, points.end)
            heard["modbus points"] = lambda: points.heard.at
        if "syslog" in outputs:
            heard["syslog"] = lambda: syslog.heard.at
        for name in names:  # else Sparkplug has no device to tell of
            service._decide(About(relay=name, finding=Answering()))
            await asyncio.sleep(0)
        await _settled(service)

        def octets() -> tuple[int, ...]:
            return tuple(one() for one in came)

        await _quiet(service, octets)  # what is retained is told after events
        stack.callback(gc.set_threshold, *gc.get_threshold())
        stack.callback(gc.unfreeze)
        look_seldom()  # as bayroll run does, some minutes after its start
        changed = names[:changes]
        began, durable = await _change(service, changed, apart_s)
        await _quiet(service, octets)
        told = {"durable": durable, **{name: times() for name, times in heard.items()}}
        return {
            name: {relay: times[relay] - began[relay] for relay in changed if relay in times}
            for name, times in told.items()
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


def _site(
    relays: Sequence[str], outputs: Sequence[str], mqtt: int, syslog: int, ports: Mapping[str, int]
) -> Site:
    """Nobody answers at these relays; they are asked so rarely that it costs nothing."""
    listed = "".join(
        f"  - {{id: {name}, bay: {name[:5].upper()}, function: main 1,"
        f" host: 127.9.{number // 200}.{number % 200 + 1}, port: 9, maps: [any]}}\n"
        for number, name in enumerate(relays)
    )
    settings = {
        "mqtt": "{}",
        "alarm_points": f"{{port: {ports['alarm_points']}}}",
        "iec104": f"{{port: {ports['iec104']}, first_address: {FIRST_104}}}",
        "opcua": f"{{port: {ports['opcua']}, anonymous: true}}",
        "sparkplug": "{}",
        "syslog": f"{{transport: udp, host: {HOST}, port: {syslog}}}",
    }
    text = (
        "format: 1\nsite: hollin\nname: Hollin\nalarms: alarms.yaml\n"
        "intervals: {status_s: 3600, nameplate_s: 86400}\n"
        f"broker: {{host: {HOST}, port: {mqtt}}}\noutputs:\n"
        + "".join(f"  {name}: {settings[name]}\n" for name in outputs)
        + f"relays:\n{listed}"
    )
    entry = f"id: flag.{FLAG}\n"
    before, after = TEXT.split(entry)
    # a security event as well, so that syslog tells it; not chattering, as each comes once
    after = after.replace(
        "audience: [operator_alarm]", "audience: [operator_alarm, security_event]", 1
    )
    texts = {"site.yaml": text, "alarms.yaml": before + entry + after}
    return load_site("site.yaml", lambda path: texts[Path(path).name])
