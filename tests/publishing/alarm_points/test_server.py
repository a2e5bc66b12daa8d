"""The server of alarm points on the wire: what it answers, what it refuses, whom it lets go."""

from __future__ import annotations

import asyncio
import csv
import json
import socket
import struct
from collections.abc import AsyncIterator, Callable, Sequence
from ipaddress import ip_network
from pathlib import Path
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from pymodbus.client import AsyncModbusTcpClient
from pymodbus.pdu import DecodePDU

from poller.publishing.alarm_points.server import Image, PointsServer, answer
from tests.peers import libmodbus
from tests.peers.libmodbus import LibmodbusError, needs_libmodbus
from tests.publishing.brokers import HOST, free_port
from tests.publishing.world import until

CHECKS = Path(__file__).parents[2] / "checks"
VECTORS = json.loads((CHECKS / "modbus_vectors.json").read_text())
LIMITS = VECTORS["limits"]


def image_of(inputs: Sequence[bool] = (), registers: Sequence[int] = ()) -> Image:
    packed = sum(1 << at for at, on in enumerate(inputs) if on)
    return Image(inputs=packed, inputs_count=len(inputs), registers=registers)


INPUTS = [at % 3 == 0 or at % 7 == 5 for at in range(2_048)]
REGISTERS = [at * 257 % 65_536 for at in range(300)]
IMAGE = image_of(INPUTS, REGISTERS)
WRITES = (5, 6, 15, 16, 22, 23)

# MODBUS Application Protocol Specification V1.1b3, 7: the codes by their names.
with (CHECKS / "modbus_exceptions.csv").open(newline="") as _file:
    CODE = {
        row["name"]: int(row["code_hex"], 16)
        for row in csv.DictReader(_file)
        if "," not in row["code_hex"]
    }


def said(image: Image, request: str | bytes) -> bytes:
    return answer(image, bytes.fromhex(request) if isinstance(request, str) else request)


# What is answered.


@pytest.mark.parametrize("case", [one for one in VECTORS["pdu"] if one["id"] in ("fc02", "fc04")])
def test_published_examples(case: dict[str, Any]) -> None:
    """MODBUS Application Protocol Specification V1.1b3, 6.2 and 6.4; pages in the file."""
    nothing = [0] * case["addr"]
    image = image_of(
        [bool(one) for one in (*nothing, *case.get("bits_lsb_first", ()))],
        [*nothing, *case.get("registers", ())],
    )
    assert said(image, case["req"]) == bytes.fromhex(case["rsp"])


# request -> name of its exception; 2,048 inputs and 300 registers are there
REFUSED = """
02 0800 0001 -> ILLEGAL DATA ADDRESS   # one past the last input
02 07FF 0002 -> ILLEGAL DATA ADDRESS   # begins inside, ends outside
04 012C 0001 -> ILLEGAL DATA ADDRESS   # one past the last register
04 FFFF 007D -> ILLEGAL DATA ADDRESS
02 0000 0000 -> ILLEGAL DATA VALUE     # no input
02 0000 07D1 -> ILLEGAL DATA VALUE     # 2,001: 6.2 allows 2,000
04 0000 0000 -> ILLEGAL DATA VALUE
04 0000 007E -> ILLEGAL DATA VALUE     # 126: 6.4 allows 125
04 FFFF 007E -> ILLEGAL DATA VALUE     # the quantity is looked at before the address
04 0000 00   -> ILLEGAL DATA VALUE     # an octet short
04 0000 0001 00 -> ILLEGAL DATA VALUE  # one over
04           -> ILLEGAL DATA VALUE
01 0000 0001 -> ILLEGAL FUNCTION       # coils: there are none
03 0000 0001 -> ILLEGAL FUNCTION       # holding registers: there are none
07           -> ILLEGAL FUNCTION
08 0004 0000 -> ILLEGAL FUNCTION       # diagnostics: listen only
2B 0E 01 00  -> ILLEGAL FUNCTION
63 00        -> ILLEGAL FUNCTION       # 99: nobody's
"""


@pytest.mark.parametrize("row", REFUSED.strip().splitlines())
def test_what_is_refused_and_how(row: str) -> None:
    request, name = row.split("#", maxsplit=1)[0].split("->")
    response = said(IMAGE, request)
    assert response == bytes([bytes.fromhex(request)[0] | 0x80, CODE[name.strip()]])


@given(st.integers(1, 127), st.binary(max_size=LIMITS["pdu_max_bytes"] - 1))
@example(2, bytes.fromhex("0005 0013"))
@example(4, bytes.fromhex("0005 007D"))
def test_any_request_gets_an_answer_that_a_client_can_read(code: int, body: bytes) -> None:
    """pymodbus's decoder reads it: the table's own values, or a published exception."""
    request = bytes([code]) + body
    response = said(IMAGE, request)
    assert len(response) <= LIMITS["pdu_max_bytes"]
    assert response[0] & 0x7F == code
    read = DecodePDU(False).decode(response)
    assert read is not None
    if response[0] < 0x80:
        address, count = struct.unpack(">HH", body)
        served = {2: (list(read.bits), INPUTS), 4: (list(read.registers), REGISTERS)}
        found, table = served[response[0]]
        assert found[:count] == table[address : address + count]
    else:
        assert read.exception_code in CODE.values()


# Over sockets, with clients that are not ours.


class Bench:
    """A server on a port of its own; image may be replaced."""

    def __init__(self, **settings: Any) -> None:
        self.image = IMAGE
        self.port = free_port()
        self._wires: list[Wire] = []
        given_ = {"host": HOST, "unit": 17, "clients_max": 8, "networks": (), **settings}
        self.server = PointsServer(port=self.port, image=lambda: self.image, **given_)

    async def __aenter__(self) -> Bench:
        await self.server.open()
        return self

    async def __aexit__(self, *_: object) -> None:
        self.server.end()
        for wire in self._wires:
            wire.writer.transport.abort()
        await asyncio.sleep(0)  # in which a transport closes its socket

    async def connected(self) -> Wire:
        wire = Wire(*await asyncio.open_connection(HOST, self.port))
        self._wires.append(wire)
        return wire

    async def libmodbus(self, work: Callable[[libmodbus.Client], Any], unit: int = 17) -> Any:
        def run() -> Any:
            with libmodbus.Client(HOST, self.port, unit) as client:
                return work(client)

        return await asyncio.to_thread(run)


class Wire:
    """Octets by hand."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.reader, self.writer = reader, writer

    async def reply(self) -> tuple[int, int, bytes]:
        """(transaction, unit, PDU)."""
        async with asyncio.timeout(5):
            head = await self.reader.readexactly(7)
            transaction, _, length, unit = struct.unpack(">HHHB", head)
            return transaction, unit, await self.reader.readexactly(length - 1)

    async def ended(self) -> bool:
        """The other side ended the connection, and sent nothing more."""
        async with asyncio.timeout(5):
            try:
                return await self.reader.read() == b""
            except ConnectionError:
                return True


def frame(pdu: str, transaction: int = 1, unit: int = 17) -> bytes:
    body = bytes.fromhex(pdu)
    return struct.pack(">HHHB", transaction, 0, len(body) + 1, unit) + body


@pytest.fixture
async def bench() -> AsyncIterator[Bench]:
    async with Bench() as one:
        yield one


@pytest.fixture
async def client(bench: Bench) -> AsyncIterator[AsyncModbusTcpClient]:
    one = AsyncModbusTcpClient(HOST, port=bench.port, timeout=5)
    assert await one.connect()
    yield one
    one.close()


@needs_libmodbus
async def test_libmodbus_reads_both_tables(bench: Bench) -> None:
    def work(client: libmodbus.Client) -> tuple[list[bool], list[int], list[bool]]:
        most = LIMITS["read_bits_max"]
        return (
            client.input_bits(0, most),
            client.input_registers(7, LIMITS["read_registers_max"]),
            client.input_bits(2_047, 1),
        )

    bits, words, last = await bench.libmodbus(work)
    assert (bits, words, last) == (INPUTS[:2_000], REGISTERS[7:132], INPUTS[-1:])


async def test_pymodbus_reads_both_tables(client: AsyncModbusTcpClient) -> None:
    bits = await client.read_discrete_inputs(5, count=100, device_id=17)
    words = await client.read_input_registers(175, count=125, device_id=17)
    assert (bits.bits[:100], words.registers) == (INPUTS[5:105], REGISTERS[175:])


@needs_libmodbus
@pytest.mark.parametrize("address", [0, 60_000])
@pytest.mark.parametrize("code", WRITES)
async def test_libmodbus_writes_nothing(bench: Bench, code: int, address: int) -> None:
    with pytest.raises(LibmodbusError) as refused:
        await bench.libmodbus(lambda client: client.write(code, address))
    assert refused.value.exception == CODE["ILLEGAL FUNCTION"]


PYMODBUS_WRITES: dict[int, Callable[[AsyncModbusTcpClient], Any]] = {
    5: lambda one: one.write_coil(0, True, device_id=17),
    6: lambda one: one.write_register(0, 1, device_id=17),
    15: lambda one: one.write_coils(0, [True] * 9, device_id=17),
    16: lambda one: one.write_registers(0, [1, 2], device_id=17),
    22: lambda one: one.mask_write_register(address=0, device_id=17),
    23: lambda one: one.readwrite_registers(
        read_address=0, read_count=1, write_address=0, values=[1], device_id=17
    ),
}


@pytest.mark.parametrize("code", WRITES)
async def test_pymodbus_writes_nothing(client: AsyncModbusTcpClient, code: int) -> None:
    refused = await PYMODBUS_WRITES[code](client)
    assert (refused.function_code, refused.exception_code) == (code | 0x80, 1)


@needs_libmodbus
async def test_libmodbus_is_told_of_an_address_that_is_not_there(bench: Bench) -> None:
    with pytest.raises(LibmodbusError) as refused:
        await bench.libmodbus(lambda client: client.input_registers(299, 2))
    assert refused.value.exception == CODE["ILLEGAL DATA ADDRESS"]


@pytest.mark.parametrize("unit", [17, LIMITS["unit_id_direct"], LIMITS["unit_id_also_accepted"]])
async def test_its_unit_and_those_of_the_guide_are_answered(bench: Bench, unit: int) -> None:
    """MODBUS Messaging on TCP/IP Implementation Guide V1.0b, 4.4.1.2."""
    wire = await bench.connected()
    wire.writer.write(frame("04 0000 0002", transaction=0x1501, unit=unit))
    assert await wire.reply() == (0x1501, unit, bytes.fromhex("04 04 0000 0101"))


async def test_nobody_stands_behind_another_unit(bench: Bench) -> None:
    wire = await bench.connected()
    wire.writer.write(frame("04 0000 0001", unit=18))
    code = CODE["GATEWAY TARGET DEVICE FAILED TO RESPOND"]
    assert await wire.reply() == (1, 18, bytes([0x84, code]))


async def test_what_is_served_is_the_newest(bench: Bench, client: AsyncModbusTcpClient) -> None:
    bench.image = Image(registers=[1, 2])
    assert (await client.read_input_registers(0, count=2, device_id=17)).registers == [1, 2]
    bench.image = Image(registers=[3, 4])
    assert (await client.read_input_registers(0, count=2, device_id=17)).registers == [3, 4]


# Frames.


async def test_requests_that_come_together_are_answered_in_turn(bench: Bench) -> None:
    wire = await bench.connected()
    wire.writer.write(b"".join(frame(f"04 {n:04x} 0001", transaction=n) for n in range(200)))
    for n in range(200):
        assert await wire.reply() == (n, 17, b"\x04\x02" + REGISTERS[n].to_bytes(2, "big"))


async def test_a_request_that_comes_octet_by_octet_is_answered_once(bench: Bench) -> None:
    wire = await bench.connected()
    whole = frame("02 0000 0008") + frame("04 0000 0001", transaction=2)
    for octet in whole:
        wire.writer.write(bytes([octet]))
        await wire.writer.drain()
    assert [(await wire.reply())[0] for _ in range(2)] == [1, 2]


class Kept(asyncio.Transport):
    """A transport that keeps what is written."""

    def __init__(self) -> None:
        super().__init__({"peername": (HOST, 40_000), "socket": socket.socket()})
        self.written = b""
        self.aborted = self.paused = False

    def pause_reading(self) -> None:
        self.paused = True

    def resume_reading(self) -> None:
        self.paused = False

    def write(self, data: Any) -> None:
        self.written += data

    def abort(self) -> None:
        self.aborted = True

    def close(self) -> None:
        self.get_extra_info("socket").close()


def heard(pieces: Sequence[bytes]) -> bytes:
    """What a connection answers to octets that come in these pieces."""

    async def run() -> bytes:
        server = Bench().server
        client, transport = server.handle_new_connection(), Kept()
        client.connection_made(transport)
        for piece in pieces:
            if not transport.aborted:
                client.data_received(piece)
        server.end()
        transport.close()
        return transport.written

    return asyncio.run(run())


REQUEST = st.sampled_from(("02 0005 0013", "04 0000 0002", "06 0000 0001", "04 FFFF 0001", "07"))


@given(st.lists(REQUEST, max_size=6), st.data())
def test_frames_are_answered_the_same_however_they_are_cut(
    requests: list[str], data: st.DataObject
) -> None:
    frames = [frame(request, transaction=n) for n, request in enumerate(requests)]
    whole = b"".join(frames)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(whole)), max_size=8)))
    edges = zip([0, *cuts], [*cuts, len(whole)], strict=True)
    answered = heard([whole[first:last] for first, last in edges if first < last])
    expected = [
        struct.pack(">HHHB", n, 0, len(pdu) + 1, 17) + pdu
        for n, pdu in enumerate(said(IMAGE, request) for request in requests)
    ]
    assert answered == b"".join(expected)


async def test_a_hundred_requests_at_once_leave_turns_to_others() -> None:
    """Guide 4.4.2.2: a server has 1 to 16 transactions; the rest waits, and no more is read."""
    server = Bench().server
    client, transport = server.handle_new_connection(), Kept()
    client.connection_made(transport)
    client.data_received(frame("04 0000 0001") * 100)
    answer_bytes = len(transport.written) // 16
    turns = [(len(transport.written) // answer_bytes, transport.paused)]
    while transport.paused:
        await asyncio.sleep(0)
        turns.append((len(transport.written) // answer_bytes, transport.paused))
    assert turns == [
        (16, True),
        (32, True),
        (48, True),
        (64, True),
        (80, True),
        (96, True),
        (100, False),
    ]
    server.end()
    transport.close()


@given(st.lists(st.binary(min_size=1, max_size=300), max_size=5))
def test_any_octets_are_answered_in_whole_frames_or_not_at_all(pieces: list[bytes]) -> None:
    answered = heard(pieces)
    while answered:
        _, protocol, length, _ = struct.unpack_from(">HHHB", answered)
        assert (protocol, len(answered) >= 6 + length) == (0, True)
        answered = answered[6 + length :]


BROKEN = {
    "another protocol": "0001 0001 0006 11 04 0000 0001",
    "a length of nothing": "0001 0000 0000 11 04 0000 0001",
    "a length without a function code": "0001 0000 0001 11 04 0000 0001",
    "a length past the largest": "0001 0000 00FF 11 04 0000 0001",
    "text": b"GET / HTTP/1.1\r\n\r\n".hex(),
}


@pytest.mark.parametrize("octets", BROKEN.values(), ids=BROKEN)
async def test_what_is_no_frame_ends_its_connection_and_no_other(
    bench: Bench, client: AsyncModbusTcpClient, octets: str
) -> None:
    """Guide 3.1.3: protocol 0; specification 4.1: 254 octets of unit and PDU at most."""
    wire = await bench.connected()
    wire.writer.write(bytes.fromhex(octets))
    assert await wire.ended()
    assert not (await client.read_input_registers(0, count=1, device_id=17)).isError()


async def test_half_a_frame_is_waited_for_and_holds_up_nobody(
    bench: Bench, client: AsyncModbusTcpClient
) -> None:
    wire = await bench.connected()
    wire.writer.write(frame("04 0000 0001")[:-1])
    assert not (await client.read_input_registers(0, count=1, device_id=17)).isError()
    wire.writer.write(frame("04 0000 0001")[-1:])
    assert (await wire.reply())[0] == 1


# Clients.


async def test_the_largest_frame_there_is_is_refused_and_the_next_is_read(bench: Bench) -> None:
    wire = await bench.connected()
    wire.writer.write(frame("10" + "00" * (LIMITS["pdu_max_bytes"] - 1)) + frame("02 0000 0001"))
    assert [(await wire.reply())[2][0] for _ in range(2)] == [0x90, 0x02]


async def test_one_too_many_takes_the_place_of_who_asked_longest_ago() -> None:
    """Guide 4.2.1.1: the oldest unused connection is closed."""
    async with Bench(clients_max=3) as bench:
        wires = [await bench.connected() for _ in range(3)]
        for wire in (wires[2], wires[0], wires[1]):
            wire.writer.write(frame("04 0000 0001"))
            await wire.reply()
        last = await bench.connected()
        assert await wires[2].ended()
        for wire in (wires[0], wires[1], last):
            wire.writer.write(frame("04 0000 0001"))
            assert (await wire.reply())[0] == 1


async def test_who_only_connects_puts_off_none_that_asks() -> None:
    async with Bench(clients_max=2) as bench:
        front_end = await bench.connected()
        front_end.writer.write(frame("04 0000 0001"))
        await front_end.reply()
        for _ in range(20):
            await bench.connected()
        await until(lambda: len(bench.server.clients) == 2)
        front_end.writer.write(frame("04 0000 0001", transaction=2))
        assert (await front_end.reply())[0] == 2


async def test_a_hundred_clients_at_once_are_all_answered() -> None:
    async with Bench(clients_max=100) as bench:
        wires = await asyncio.gather(*(bench.connected() for _ in range(100)))
        for n, wire in enumerate(wires):
            wire.writer.write(frame(f"04 {n:04x} 0001", transaction=n))
        replies = await asyncio.gather(*(wire.reply() for wire in wires))
        assert [transaction for transaction, _, _ in replies] == list(range(100))


async def test_who_takes_answers_late_holds_up_nobody_and_gets_every_one(bench: Bench) -> None:
    late = await bench.connected()
    many = 40_000  # 10 MB of answers: more than the system takes on the way
    late.writer.write(b"".join(frame("04 0000 007D", n & 0xFFFF) for n in range(many)))
    await until(lambda: bench.server.clients and bench.server.clients[0]._held)
    held = bench.server.clients[0]
    # what asyncio reads at once of it, and what it lets stand before it says stop
    assert held.transport.get_write_buffer_size() + len(held._heard) < 256 * 1024 + 66_000
    other = await bench.connected()
    other.writer.write(frame("04 0000 0001"))
    assert (await other.reply())[0] == 1
    for n in range(many):
        transaction, _, pdu = await late.reply()
        assert (transaction, len(pdu)) == (n & 0xFFFF, 252)


async def test_who_takes_no_answers_at_all_is_let_go(bench: Bench) -> None:
    deaf = await bench.connected()
    deaf.writer.write(frame("04 0000 007D") * 40_000)
    await until(lambda: bench.server.clients and bench.server.clients[0]._held)
    await asyncio.sleep(0.05)
    bench.server.end_idle(0.04)
    assert bench.server.clients == []


async def test_who_asks_nothing_for_long_is_let_go(bench: Bench) -> None:
    idle, busy = await bench.connected(), await bench.connected()
    await until(lambda: len(bench.server.clients) == 2)
    await asyncio.sleep(0.05)
    busy.writer.write(frame("04 0000 0001"))
    await busy.reply()
    bench.server.end_idle(0.04)
    assert await idle.ended()
    busy.writer.write(frame("04 0000 0001", transaction=2))
    assert (await busy.reply())[0] == 2


@pytest.mark.parametrize(("network", "may"), [("127.0.0.0/8", True), ("10.0.0.0/8", False)])
async def test_only_networks_that_are_named_may_connect(network: str, may: bool) -> None:
    async with Bench(networks=(ip_network("192.0.2.0/24"), ip_network(network))) as bench:
        wire = await bench.connected()
        wire.writer.write(frame("04 0000 0001"))
        if may:
            assert (await wire.reply())[0] == 1
        else:
            assert await wire.ended()


async def test_an_end_ends_every_connection_and_frees_the_port(bench: Bench) -> None:
    wire = await bench.connected()
    await until(lambda: bench.server.clients)
    bench.server.end()
    assert await wire.ended()
    with pytest.raises(ConnectionRefusedError):
        await bench.connected()
