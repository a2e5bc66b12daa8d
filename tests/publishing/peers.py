"""The peers of our outputs, each behind one face: nothing in here is ours.

A further output is a class here, its row in PEERS and rows in wrong_settings.py; test_outputs.py
does the rest.
One that shows how things stand and tells no events, or that is called by its peer, says in `has`
what it means that everything arrived, and stays out of CALLED.
"""

from __future__ import annotations

import asyncio
from abc import ABC, abstractmethod
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import AsyncExitStack, asynccontextmanager, suppress
from dataclasses import replace
from importlib import import_module
from pathlib import Path
from typing import Any, ClassVar, Final

import pytest
from pymodbus.client import AsyncModbusTcpClient
from pymodbus.exceptions import ModbusException

from poller.alarms import points
from poller.alarms.point_values import StationValue
from poller.alarms.points import STATION, value_number
from poller.model import events as ev
from poller.publishing.alarm_points.output import open_output as open_alarm_points
from poller.publishing.iec104.output import open_output as open_iec104
from poller.publishing.ports import Output, OutputStatus
from poller.publishing.sparkplug.output import open_output as open_sparkplug
from poller.publishing.syslog.output import open_output as open_syslog
from tests.publishing import brokers
from tests.publishing.brokers import HOST, Listener, Wire, free_port
from tests.publishing.iec104.control_centre import NO_C104, ControlCentre
from tests.publishing.sparkplug.peer import Said
from tests.publishing.syslog.collectors import Rsyslog, Transport
from tests.publishing.world import Q07, House, Running, event, listed, site

STAYS_S: Final = 3  # far more than an answer takes


def told(number: int) -> ev.Event:
    """An event that every output tells: somebody did something."""
    return replace(event(ev.RelayPaused(why=f"for the {number}. time")), by="J. Kral")


class Looking(Running):
    """A peer that looks again and again, by a library in which asyncio.wait_for of 3.11 loses a
    cancellation that comes together with an answer."""

    async def __aexit__(self, *reason: object) -> None:
        while not self.task.done():
            self.task.cancel()
            await asyncio.wait((self.task,), timeout=0.1)
        await super().__aexit__(*reason)


class Peer(ABC):
    """async with Peer(folder, certified): it is there. It may be away, and is the same again."""

    def __init__(self, folder: Path, certified: Path) -> None:
        self._folder, self._certified = folder, certified
        self._stack = AsyncExitStack()

    async def __aenter__(self) -> Any:
        return self

    async def __aexit__(self, *reason: object) -> None:
        await self._stack.aclose()

    async def begin(self, house: House) -> None:
        """What must stand in the journal before the first output is opened."""
        await house.commit(replace(listed(), by="J. Kral"))

    @abstractmethod
    def output(self, house: House, port: int | None = None) -> Output:
        """One that knows this peer. port: of somebody else in its place."""

    @abstractmethod
    def has(self, recorded: Sequence[ev.Recorded]) -> bool:
        """Everything arrived, in order."""


class Called(Peer):
    """One that the output calls, and tells every event."""

    @abstractmethod
    async def away(self) -> None: ...

    @abstractmethod
    async def back(self) -> None: ...

    @abstractmethod
    def arrived(self) -> list[str]:
        """The journal's id of every event that it was told, in order, repeated ones too."""

    def has(self, recorded: Sequence[ev.Recorded]) -> bool:
        return list(dict.fromkeys(self.arrived())) == [one.id for one in recorded]


class Wired(Called):
    """One that is called over TCP. wire: the way there, behind its own port."""

    wire: Wire

    async def _at(self, port: int) -> None:
        self.wire = await self._stack.enter_async_context(Wire(port))


class MqttPeer(Wired):
    """A broker, and a subscriber behind it: a new one for each start, so that none comes late."""

    kind: ClassVar[str]
    topics: ClassVar[str] = "bayroll/v1/+/event"

    async def __aenter__(self) -> MqttPeer:
        self._broker = brokers.make(self.kind, self._folder)
        self._heard: list[str] = []
        self._stack.push_async_callback(self._end)
        await self._start()
        await self._at(self._broker.port)
        return self

    async def _start(self) -> None:
        await self._broker.start()
        self._listener = await Listener(self._broker.port, (self.topics,)).__aenter__()

    async def _end(self) -> None:
        self._heard, self._listener.heard = self.arrived(), []
        await self._listener.__aexit__()
        await self._broker.stop()

    def output(self, house: House, port: int | None = None) -> Output:
        where = {"host": HOST, "port": port or self.wire.port, "protocol": self._broker.protocol}
        return house.mqtt(site(where))

    async def away(self) -> None:
        self.wire.hold()  # until there is a subscriber again that can tell what comes
        await self._end()

    async def back(self) -> None:
        await self._start()
        self.wire.held = False

    def arrived(self) -> list[str]:
        return self._heard + self._listener.ids()


class Mqtt5(MqttPeer):
    kind = "mosquitto-5"


class Mqtt311(MqttPeer):
    kind = "mosquitto-3.1.1"


class MqttEmbedded(MqttPeer):
    kind = "embedded"


class SparkplugHost(MqttPeer):
    """One that follows Journal/seq of the node: all events up to it were told."""

    kind = "mosquitto-5"
    topics = "spBv1.0/+/NDATA/+"

    async def begin(self, house: House) -> None:
        self._house = house
        await super().begin(house)

    def output(self, house: House, port: int | None = None) -> Output:
        here = site({"host": HOST, "port": port or self.wire.port})
        return open_sparkplug(house.context(here, name="sparkplug", retry_cap_s=0.2))

    def arrived(self) -> list[str]:
        ids = list(self._heard)
        for heard in list(self._listener.heard):
            reached = Said(heard.topic, 0, False, heard.payload).values()["Journal/seq"]
            first = min(reached, len(set(ids)) + 1)
            ids += (one.id for one in self._house.recorded[first - 1 : reached])
        return ids


class _Syslog(Called):
    transport: ClassVar[Transport]

    async def __aenter__(self) -> Any:
        self.rsyslog = Rsyslog(self._folder, self.transport, self._certified)
        await self.rsyslog.start()
        self._stack.push_async_callback(self.rsyslog.stop)
        return self

    def syslog(self, house: House, port: int, **more: Any) -> Output:
        settings = {"transport": self.transport, "host": HOST, "port": port, "retry_cap_s": 0.2}
        context = house.context(
            site(), name="syslog", folder=str(self._certified), **settings, **more
        )
        return open_syslog(context)

    async def away(self) -> None:
        await self.rsyslog.stop()

    async def back(self) -> None:
        await self.rsyslog.start()

    def arrived(self) -> list[str]:
        return self.rsyslog.ids()


class SyslogUdp(_Syslog):
    transport = "udp"

    def output(self, house: House, port: int | None = None) -> Output:
        return self.syslog(house, port or self.rsyslog.port)


class SyslogTls(_Syslog, Wired):
    transport = "tls"

    async def __aenter__(self) -> SyslogTls:
        await super().__aenter__()
        await self._at(self.rsyslog.port)
        return self

    def output(self, house: House, port: int | None = None) -> Output:
        return self.syslog(house, port or self.wire.port, tls={"ca": "ca.pem"})


class FrontEnd(Peer):
    """A Modbus client that reads the count of events again and again, as a front end would."""

    here: ClassVar = site(outputs={"alarm_points": {}})

    async def __aenter__(self) -> FrontEnd:
        self.port = free_port()
        self._client = AsyncModbusTcpClient(HOST, port=self.port, timeout=2, retries=0)
        self._register: int | None = None
        self._read: int | None = None
        self._stack.callback(self._client.close)
        await self._stack.enter_async_context(Looking(self._look()))
        return self

    async def begin(self, house: House) -> None:
        await super().begin(house)
        for subject, body in points.assigned(house.durable.state.points, self.here):
            await house.commit(event(body, subject))
        self._register = value_number(house.durable.state.points, STATION, StationValue.JOURNAL)

    async def _connected(self) -> bool:
        return self._client.connected or await self._client.connect()

    async def _look(self) -> None:
        while True:
            await asyncio.sleep(0.01)
            with suppress(ModbusException):
                if self._register is not None and await self._connected():
                    read = await self._client.read_input_registers(self._register, count=1)
                    self._read = None if read.isError() else read.registers[0]

    def output(self, house: House, port: int | None = None) -> Output:
        return open_alarm_points(house.context(self.here, name="alarm_points", port=self.port))

    def has(self, recorded: Sequence[ev.Recorded]) -> bool:
        return self._read == recorded[-1].seq


class OpcUaClient(Peer):
    """One that reads again and again how much of the journal all takes in that it can read."""

    async def __aenter__(self) -> OpcUaClient:
        self._peer = import_module("tests.publishing.opcua.peer")  # skips without the extra
        self._bench = self._peer.Bench(self._folder)
        self._read: int | None = None
        await self._stack.enter_async_context(Looking(self._look()))
        return self

    async def begin(self, house: House) -> None:
        self._bench.house = house
        await super().begin(house)

    async def _look(self) -> None:
        while True:
            await asyncio.sleep(0.1)
            # it is not there yet, or has just ended
            with suppress(OSError, TimeoutError, self._peer.ua.UaError):
                async with self._bench.client(None, certificate=None) as client:
                    while True:
                        self._read = await self._peer.node(client, "site/journalSeq").read_value()
                        await asyncio.sleep(0.01)

    def output(self, house: House, port: int | None = None) -> Output:
        return self._bench.output(anonymous=True, people=[])

    def has(self, recorded: Sequence[ev.Recorded]) -> bool:
        return self._read == recorded[-1].seq


class ControlRoom(Peer):
    """c104's client: each event of told() makes a relay one that is not read, which it is told."""

    here: ClassVar = site(outputs={"iec104": {}})
    first: ClassVar = 1_000

    async def __aenter__(self) -> ControlRoom:
        if NO_C104:
            pytest.skip(NO_C104)
        self.port = free_port()
        self._found: dict[int, int] = {}
        await self._stack.enter_async_context(Looking(self._interrogate()))
        return self

    async def begin(self, house: House) -> None:
        await super().begin(house)
        for subject, body in points.assigned(house.durable.state.points, self.here):
            await house.commit(event(body, subject))
        await house.commit(event(ev.RelayAnswering(silent_since=None)))
        number = points.alarm_number(house.durable.state.points, Q07, "silent")
        assert number is not None
        self._address = self.first + number

    async def _interrogate(self) -> None:
        """As one does who comes and goes. Where it does not get through, another takes its place:
        the library waits up to a minute once it was turned away some times."""
        while True:
            async with ControlCentre(self.port) as centre:
                with suppress(TimeoutError):
                    while True:
                        await centre.there(within_s=STAYS_S)
                        self._found = await centre.interrogate(within_s=STAYS_S)
                        await asyncio.sleep(0.05)

    def output(self, house: House, port: int | None = None) -> Output:
        return open_iec104(house.context(self.here, name="iec104", port=self.port))

    def has(self, recorded: Sequence[ev.Recorded]) -> bool:
        """The last event is told by a quality, and the one before it by the absence of that."""
        paused = isinstance(recorded[-1].event.body, ev.RelayPaused)
        return self._found.get(self._address) == (0x40 if paused else 0)


PEERS: Final[dict[str, Callable[[Path, Path], Any]]] = {
    "mqtt-5": Mqtt5,
    "mqtt-3.1.1": Mqtt311,
    "mqtt-embedded": MqttEmbedded,
    "syslog-tls": SyslogTls,
    "syslog-udp": SyslogUdp,
    "alarm_points": FrontEnd,
    "sparkplug": SparkplugHost,
    "opcua": OpcUaClient,
    "iec104": ControlRoom,
}
CALLED: Final = ["mqtt-5", "mqtt-3.1.1", "mqtt-embedded", "syslog-tls", "syslog-udp", "sparkplug"]
WIRED: Final = ["mqtt-5", "mqtt-3.1.1", "mqtt-embedded", "syslog-tls"]


@asynccontextmanager
async def mute() -> AsyncIterator[int]:
    """The port of somebody who accepts and never answers."""
    connected: list[asyncio.StreamWriter] = []

    async def keep(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        connected.append(writer)

    server = await asyncio.start_server(keep, HOST, 0)
    yield server.sockets[0].getsockname()[1]
    server.close()
    for writer in connected:
        writer.transport.abort()


class Fast:
    """An output that takes everything at once: what a neighbour's trouble must not slow down."""

    name = "fast"

    def __init__(self) -> None:
        self.seqs: list[int] = []

    async def run(self) -> None:
        await asyncio.Event().wait()

    async def deliver(self, events: Any, state: Any) -> int:
        self.seqs += [one.seq for one in events]
        return events[-1].seq if events else 0

    def status(self) -> OutputStatus:
        return OutputStatus(connected=None, says="")
