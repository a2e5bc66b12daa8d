"""The peers of our outputs, each behind one face: nothing in here is ours.

A further output is a class here, its row in PEERS and rows in WRONG; test_outputs.py does the rest.
One that shows how things stand and tells no events, or that is called by its peer, says in `has`
what it means that everything arrived, and stays out of CALLED.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from contextlib import AsyncExitStack, suppress
from dataclasses import replace
from pathlib import Path
from typing import Any, ClassVar, Final

from pymodbus.client import AsyncModbusTcpClient
from pymodbus.exceptions import ModbusException

from poller.alarms import points
from poller.alarms.point_values import StationValue
from poller.alarms.points import STATION, value_number
from poller.model import events as ev
from poller.publishing.alarm_points import open_output as open_alarm_points
from poller.publishing.ports import Output, OutputStatus
from poller.publishing.syslog import open_output as open_syslog
from tests.publishing import brokers
from tests.publishing.brokers import HOST, Listener, Wire, free_port
from tests.publishing.collectors import Rsyslog, Transport
from tests.publishing.world import House, Running, event, listed, site

Wrong = tuple[dict[str, Any], str, str]
"""Settings of an output that can't be used; the code of the problem and words of it."""


def told(number: int) -> ev.Event:
    """An event that every output tells: somebody did something."""
    return replace(event(ev.RelayPaused(why=f"for the {number}. time")), by="J. Kral")


class Peer:
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

    def output(self, house: House, port: int | None = None) -> Output:
        """One that knows this peer. port: of somebody else in its place."""
        raise NotImplementedError

    def has(self, recorded: Sequence[ev.Recorded]) -> bool:
        """Everything arrived, in order."""
        raise NotImplementedError


class Called(Peer):
    """One that the output calls, and tells every event."""

    async def away(self) -> None:
        raise NotImplementedError

    async def back(self) -> None:
        raise NotImplementedError

    def arrived(self) -> list[int]:
        """seq of every event that it was told, in order, repeated ones too."""
        raise NotImplementedError

    def has(self, recorded: Sequence[ev.Recorded]) -> bool:
        return list(dict.fromkeys(self.arrived())) == [one.seq for one in recorded]


class Wired(Called):
    """One that is called over TCP. wire: the way there, behind its own port."""

    wire: Wire

    async def _at(self, port: int) -> None:
        self.wire = await self._stack.enter_async_context(Wire(port))


class MqttPeer(Wired):
    """A broker, and a subscriber behind it: a new one for each start, so that none comes late."""

    kind: ClassVar[str]

    async def __aenter__(self) -> MqttPeer:
        self._broker = brokers.make(self.kind, self._folder)
        self._heard: list[int] = []
        self._stack.push_async_callback(self._end)
        await self._start()
        await self._at(self._broker.port)
        return self

    async def _start(self) -> None:
        await self._broker.start()
        self._listener = await Listener(self._broker.port, ("bayroll/v1/+/event",)).__aenter__()

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

    def arrived(self) -> list[int]:
        return self._heard + [body["seq"] for body in self._listener.events()]


class Mqtt5(MqttPeer):
    kind = "mosquitto-5"


class Mqtt311(MqttPeer):
    kind = "mosquitto-3.1.1"


class MqttEmbedded(MqttPeer):
    kind = "embedded"


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

    def arrived(self) -> list[int]:
        return [int(one.own["seq"]) for one in self.rsyslog.got()]


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
        await self._stack.enter_async_context(Running(self._look()))
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


PEERS: Final[dict[str, Callable[[Path, Path], Any]]] = {
    "mqtt-5": Mqtt5,
    "mqtt-3.1.1": Mqtt311,
    "mqtt-embedded": MqttEmbedded,
    "syslog-tls": SyslogTls,
    "syslog-udp": SyslogUdp,
    "alarm_points": FrontEnd,
}
CALLED: Final = ["mqtt-5", "mqtt-3.1.1", "mqtt-embedded", "syslog-tls", "syslog-udp"]
WIRED: Final = ["mqtt-5", "mqtt-3.1.1", "mqtt-embedded", "syslog-tls"]

WRONG: Final[dict[str, list[Wrong]]] = {
    "mqtt": [
        ({}, "output-broker-missing", "no broker"),
        ({"client_idd": "x"}, "output-settings", "not permitted"),
        ({"retry_cap_s": 0}, "output-settings", "greater"),
        ({"broker": {"host": "h", "tls": {"ca": "no-such.pem"}}}, "output-tls", "No such file"),
    ],
    "syslog": [
        ({}, "output-settings", "required"),
        ({"host": "h"}, "output-settings", "required"),  # tls:, since nothing goes in the clear
        ({"host": "h", "transport": "tcp"}, "output-settings", "'tls' or 'udp'"),
        ({"host": "h:6514", "transport": "udp"}, "output-settings", "one address or host name"),
        ({"host": "h", "transport": "udp", "tls": {}}, "output-settings", "not permitted"),
        ({"host": "h", "transport": "udp", "facility": 24}, "output-settings", "less than"),
        ({"host": "h", "transport": "udp", "octets_max": 479}, "output-settings", "greater"),
        ({"host": "h", "transport": "udp", "hostname": "a b"}, "output-settings", "pattern"),
        ({"host": "h", "tls": {"ca": "no-such.pem"}}, "output-tls", "No such file"),
    ],
    "alarm_points": [
        ({"port": 0}, "output-settings", "greater"),
        ({"client": []}, "output-settings", "not permitted"),
        ({"clients": ["10.0.0.0/33"]}, "output-settings", "network"),
    ],
}
"""What each output refuses when it is opened."""


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
