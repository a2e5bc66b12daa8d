"""What an edge node says in its life, recorded once: the statements of the specification are held
against these recordings, one test each."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from datetime import timedelta
from functools import cache, partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Literal

from poller.model import events as ev
from poller.model.status import Health
from poller.publishing.ports import OutputStatus
from poller.publishing.sparkplug.output import SparkplugOutput, open_output
from tests.publishing.brokers import HOST, Listener, Mosquitto
from tests.publishing.sparkplug.peer import Said, Session, Tap
from tests.publishing.world import (
    Q07,
    Q08,
    T0,
    House,
    Running,
    alarmed,
    changed,
    delisted,
    event,
    first_read,
    listed,
    reading,
    site,
    until,
)

Protocol = Literal["5", "3.1.1"]
NODE = "spBv1.0/tarn-hill/{}/poller"
# protocol buffers by hand: Payload{timestamp, metrics: Metric{name, datatype, boolean_value}}
REBIRTH = b"Node Control/Rebirth"
FLAG = "firmware_changed"


def command(name: bytes = REBIRTH, value: bool = True) -> bytes:
    metric = b"\x0a" + bytes([len(name)]) + name + b"\x20\x0b\x70" + bytes([value])
    return b"\x08\x01\x12" + bytes([len(metric)]) + metric


def state_of(online: bool, at: int) -> bytes:
    return json.dumps({"online": online, "timestamp": at}).encode()


def answering(relay: str = Q07, since: Any = None) -> ev.Event:
    return event(ev.RelayAnswering(silent_since=since), relay)


def silent(relay: str = Q07) -> ev.Event:
    return event(ev.RelaySilent(last_answer_at=T0, reason="no reply"), relay)


def rose(relay: str = Q07, after_s: float = 0) -> ev.Event:
    at = T0 + timedelta(seconds=after_s)
    body = ev.FlagRose(flag=FLAG, says="it says so", last_old_at=None, first_new_at=at)
    return event(body, relay)


def health(after: Health, after_s: float, relay: str = Q07) -> ev.Event:
    body = ev.HealthChanged(before=None, after=after)
    return event(body, relay, T0 + timedelta(seconds=after_s))


@dataclass
class Life:
    """sessions: one a connection. marks: how many messages of the last session went by then."""

    protocol: Protocol = "5"
    sessions: list[Session] = field(default_factory=list)
    marks: dict[str, int] = field(default_factory=dict)
    at_once: int = 0  # connections, at most

    @property
    def first(self) -> Session:
        return self.sessions[0]

    def said(self, *verbs: str) -> list[Said]:
        return [one for session in self.sessions for one in session.of(*verbs)]

    def data(self) -> list[Said]:
        return self.said("NDATA", "DDATA")

    def between(self, begin: str, end: str) -> list[Said]:
        """Of the first session."""
        return self.first.said[self.marks[begin] : self.marks[end]]


class Scene:
    """A house, a broker, and an output that reaches it through a tap."""

    def __init__(self, broker: Mosquitto, tap: Tap, listener: Listener, **settings: Any) -> None:
        self.broker, self.tap, self.listener = broker, tap, listener
        self.house = House()
        self.settings = settings
        self.life = Life(protocol=broker.protocol)

    def output(self) -> SparkplugOutput:
        where = {"host": HOST, "port": self.tap.port, "protocol": self.broker.protocol}
        context = self.house.context(
            site(where), name="sparkplug", retry_cap_s=0.2, **self.settings
        )
        return open_output(context)

    @asynccontextmanager
    async def running(self) -> AsyncIterator[SparkplugOutput]:
        output = self.output()
        self.pump = self.house.pump(output)
        async with Running(self.pump.run()):
            yield output

    def status(self) -> OutputStatus:
        status = self.pump.status()[0]
        return OutputStatus(connected=status.connected, says=status.says)

    async def told(self) -> None:
        await until(lambda: self.pump.status()[0].lag == 0 and self.pump.status()[0].connected)

    async def commit(self, *events: ev.Event) -> None:
        await self.house.commit(*events)
        await self.told()

    def mark(self, name: str) -> None:
        self.life.marks[name] = len(self.tap.now.said)

    def send(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        self.listener.client.publish(topic, payload, qos=1, retain=retain)

    async def sends(self, true: Callable[[Session], object]) -> None:
        """Until what the output said over its present connection is so."""
        await until(lambda: self.tap.sessions and true(self.tap.now))

    def finish(self) -> Life:
        self.life.sessions, self.life.at_once = self.tap.sessions, self.tap.at_once
        return self.life


@asynccontextmanager
async def scene(
    folder: Path, protocol: Protocol = "5", *, mosquitto: str = "allow_anonymous true", **more: Any
) -> AsyncIterator[Scene]:
    broker = Mosquitto(folder, protocol=protocol, settings=mosquitto)
    await broker.start()
    try:
        async with Tap(broker.port) as tap, Listener(broker.port, ("spBv1.0/#",)) as listener:
            yield Scene(broker, tap, listener, **more)
    finally:
        await broker.stop()


async def two_relays(one: Scene) -> None:
    for relay in (Q07, Q08):
        one.house.live[relay] = reading(uptime_s=5, free_memory_kb=300, setting_group=1)
        await one.house.commit(listed(relay), answering(relay), first_read(relay))


async def whole_life(folder: Path, protocol: Protocol) -> Life:
    """Two sessions: births, changes, silence, a rebirth, an end; and what came between them."""
    async with scene(folder, protocol) as one:
        await two_relays(one)
        async with one.running():
            await one.told()
            one.mark("settled")
            await asyncio.sleep(1.3)  # RETAINED_LOOK_S, and once more
            one.mark("quiet")
            await one.commit(changed("2.0"), alarmed(), rose())
            spoiled = reading(at_s=9, uptime_s=14, setting_group=1)
            one.house.live[Q07] = replace(spoiled, bad=("free_memory_kb",))
            await one.sends(
                lambda now: any("free_memory" in str(o.values()) for o in now.of("DDATA"))
            )
            for number in range(90 if protocol == "5" else 2):  # seq goes round
                await one.commit(changed(f"3.{number}"), changed(f"3.{number}", Q08))
            one.mark("asked")
            one.send(NODE.format("NCMD"), command())
            await one.sends(lambda now: len(now.of("NBIRTH")) == 2 and len(now.of("DBIRTH")) >= 4)
            await one.commit(silent(Q08))
            await one.commit(answering(Q08))
            await one.commit(delisted(Q08))
        await one.house.commit(changed("4.0"), health(Health.ALARM, 100), health(Health.OK, 160))
        await one.house.commit(listed(Q08), changed("5.0", Q08), silent(Q08))
        async with one.running():
            await one.told()
        return one.finish()


async def host_life(folder: Path) -> Life:
    """A primary host that is away, is there, and goes. Marks: of the first session."""
    topic, others = "spBv1.0/STATE/control", "spBv1.0/STATE/other"
    async with scene(folder, primary_host="control") as one:
        await two_relays(one)
        one.send(topic, state_of(False, 1_000), retain=True)
        one.send(others, state_of(True, 9_000), retain=True)
        async with one.running() as output:
            await until(lambda: "control" in output.status().says)
            await asyncio.sleep(0.3)
            one.mark("waited")
            one.send(topic, state_of(True, 999))
            await asyncio.sleep(0.3)
            one.mark("older word")
            one.send(topic, state_of(True, 2_000), retain=True)
            await one.told()
            one.mark("online")
            one.send(topic, state_of(False, 1_999))
            await one.commit(changed("2.0"))
            one.mark("older end")
            one.send(topic, state_of(False, 2_000), retain=True)
            await until(lambda: len(one.tap.sessions) == 2)
            await until(lambda: one.tap.now.subscribed)
            await one.house.commit(health(Health.ALARM, 100), health(Health.OK, 160))
            await asyncio.sleep(0.3)
            one.life.marks["away"] = len(one.tap.now.said)
            one.send(topic, state_of(True, 3_000), retain=True)
            await one.told()
        return one.finish()


@cache
def recorded(name: str) -> Life:
    """Made once for all tests: 5 and 3.1.1 are a whole life over that protocol."""
    with TemporaryDirectory() as folder:
        life = host_life if name == "host" else partial(whole_life, protocol=name)
        return asyncio.run(life(Path(folder)))
