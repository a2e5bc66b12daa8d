"""python -m simulator listen PROTOCOL HOST:PORT: alarms as a front end of that protocol has them.

For the demo, and to see at the desk that an output speaks. Nothing of the poller's is used; each
reader is as small as its protocol allows. Ctrl-C ends it.
"""

from __future__ import annotations

import argparse
import asyncio
import struct
import sys
from collections.abc import Callable, Coroutine, Iterator, Sequence
from typing import Any, Final

import aiomqtt
from pymodbus.client import AsyncModbusTcpClient

DONE, BAD_INPUT, UNREACHABLE = 0, 2, 3
LOOK_S: Final = 1.0
SESSION_MS: Final = 60_000
BLOCK: Final = 64  # inputs a block of alarm points has

Tell = Callable[[str], None]


async def modbus(host: str, port: int, tell: Tell) -> None:
    """Discrete inputs that rise and fall; `bayroll points --csv` says what each is."""
    standing: set[int] = set()
    async with AsyncModbusTcpClient(host, port=port) as client:
        while True:
            now: set[int] = set()
            first = 0
            while not (read := await client.read_discrete_inputs(first, count=BLOCK)).isError():
                now |= {first + place for place, bit in enumerate(read.bits[:BLOCK]) if bit}
                first += BLOCK  # the first that is not there ends it
            for address in sorted(now ^ standing):
                tell(f"input {address}: {'alarm' if address in now else 'normal'}")
            standing = now
            await asyncio.sleep(LOOK_S)


async def iec104(host: str, port: int, tell: Tell) -> None:
    """STARTDT, one general interrogation, then what comes: single points, types 1 and 30."""
    reader, writer = await asyncio.open_connection(host, port)
    writer.write(bytes([0x68, 4, 0x07, 0, 0, 0]))  # STARTDT act
    sent, received = 0, 0
    known: dict[int, str] = {}
    while True:
        start, length = await reader.readexactly(2)
        if start != 0x68:
            raise ConnectionError("no frame of IEC 60870-5-104")
        frame = await reader.readexactly(length)
        if frame[0] == 0x0B:  # STARTDT con
            asdu = bytes([100, 1, 6, 0, 0xFF, 0xFF, 0, 0, 0, 20])
            writer.write(bytes([0x68, 14]) + struct.pack("<HH", sent << 1, received << 1) + asdu)
            sent += 1
        elif frame[0] == 0x43:  # TESTFR act
            writer.write(bytes([0x68, 4, 0x83, 0, 0, 0]))
        elif not frame[0] & 1:
            received = (received + 1) % 32_768
            for address, state in _single_points(frame[4:]):
                if state != known.get(address, "normal"):
                    tell(f"point {address}: {state}")
                known[address] = state
            writer.write(bytes([0x68, 4, 0x01, 0]) + struct.pack("<H", received << 1))


def _single_points(asdu: bytes) -> Iterator[tuple[int, str]]:
    """IEC 60870-5-101, 7.2 and 7.3: types 1 and 30, with addresses in three octets."""
    kind, count = asdu[0], asdu[1] & 0x7F
    if kind not in (1, 30):
        return
    in_a_row, value_octets = bool(asdu[1] & 0x80), 1 if kind == 1 else 8
    at, address = 6, 0
    for number in range(count):
        if number == 0 or not in_a_row:
            address, at = int.from_bytes(asdu[at : at + 3], "little"), at + 3
        else:
            address += 1
        value, at = asdu[at], at + value_octets
        stands = "alarm (not topical)" if value & 0x40 else "alarm"
        yield address, stands if value & 1 else "normal"


async def opcua(host: str, port: int, tell: Tell) -> None:
    """Conditions, refreshed once and then as they move; needs the extra opcua."""
    from asyncua import Client, ua  # noqa: PLC0415 - an extra

    class Watcher:
        def event_notification(self, event: Any) -> None:
            if getattr(event, "ConditionName", None):
                state = "alarm" if getattr(event, "ActiveState/Id", None) else "normal"
                acked = "" if getattr(event, "AckedState/Id", None) else ", unacknowledged"
                away = ", not for the operator now" if event.SuppressedOrShelved else ""
                source, says = event.SourceName, event.Message.Text
                tell(f"{source} {event.ConditionName}: {state}{acked}{away}: {says}")

    client = Client(f"opc.tcp://{host}:{port}/")
    client.session_timeout = SESSION_MS
    async with client:
        subscription = await client.create_subscription(500, Watcher())
        await subscription.subscribe_alarms_and_conditions(
            ua.ObjectIds.Server, ua.ObjectIds.AlarmConditionType
        )
        condition = client.get_node(ua.ObjectIds.ConditionType)
        refresh = ua.NodeId(ua.ObjectIds.ConditionType_ConditionRefresh)
        number = ua.Variant(subscription.subscription_id, ua.VariantType.UInt32)
        await condition.call_method(refresh, number)
        while True:
            await client.check_connection()
            await asyncio.sleep(LOOK_S)


async def sparkplug(host: str, port: int, tell: Tell) -> None:
    """Metrics of alarms, as they are born and change."""
    async with aiomqtt.Client(host, port) as client:
        await client.subscribe("spBv1.0/#")
        async for message in client.messages:
            topic = str(message.topic).split("/")
            assert isinstance(message.payload, bytes)
            if topic[2] in ("NBIRTH", "DBIRTH", "NDATA", "DDATA"):
                for name, value in _metrics(message.payload):
                    of_alarm = name.startswith("Alarm/") and name.endswith("/state")
                    if of_alarm and (value != "A" or topic[2].endswith("DATA")):
                        alarm = name.removeprefix("Alarm/").removesuffix("/state")
                        tell(f"{'/'.join(topic[4:]) or topic[3]} {alarm}: state {value}")


def _metrics(payload: bytes) -> Iterator[tuple[str, str]]:
    """Names and texts: field 2 of a payload, fields 1 and 15 of a metric (Sparkplug 3.0.0, 6.4)."""
    for number, octets in _fields(payload):
        if number == 2 and isinstance(octets, bytes):
            metric = dict(_fields(octets))
            name, value = metric.get(1), metric.get(15)
            if isinstance(name, bytes) and isinstance(value, bytes):
                yield name.decode(errors="replace"), value.decode(errors="replace")


def _fields(octets: bytes) -> Iterator[tuple[int, int | bytes]]:
    """Protocol buffers' encoding: wire types 0, 1, 2 and 5."""
    at = 0
    while at < len(octets):
        tag, at = _varint(octets, at)
        match tag & 7:
            case 0:
                value, at = _varint(octets, at)
                yield tag >> 3, value
            case 2:
                size, at = _varint(octets, at)
                yield tag >> 3, octets[at : at + size]
                at += size
            case kind:
                at += 8 if kind == 1 else 4


def _varint(octets: bytes, at: int) -> tuple[int, int]:
    value = shift = 0
    while True:
        octet, at = octets[at], at + 1
        value |= (octet & 0x7F) << shift
        if not octet & 0x80:
            return value, at
        shift += 7


READERS: Final[dict[str, Callable[[str, int, Tell], Coroutine[Any, Any, None]]]] = {
    "modbus": modbus,
    "iec104": iec104,
    "opcua": opcua,
    "sparkplug": sparkplug,
}


def main(arguments: Sequence[str]) -> int:
    parser = argparse.ArgumentParser(prog="python -m simulator listen", description=__doc__)
    parser.add_argument("protocol", choices=READERS)
    parser.add_argument("place", metavar="HOST:PORT")
    given = parser.parse_args(arguments)
    host, _, port = given.place.rpartition(":")
    if not host or not port.isdigit():
        parser.error(f"{given.place}: write HOST:PORT")

    def tell(line: str) -> None:
        sys.stdout.write(f"{''.join(c if c.isprintable() else '?' for c in line)}\n")
        sys.stdout.flush()

    try:
        asyncio.run(READERS[given.protocol](host, int(port), tell))
    except KeyboardInterrupt:
        return DONE
    except (OSError, EOFError, aiomqtt.MqttError) as why:
        sys.stderr.write(f"{given.place}: {why or 'it ended'}\n")
        return UNREACHABLE
    except ImportError as why:
        sys.stderr.write(f"{why}\n    mend: install bayroll[{given.protocol}]\n")
        return BAD_INPUT
    return DONE
