"""Simulated relays on sockets, asked by clients that are not ours: pymodbus and C libmodbus."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
from pymodbus.client import AsyncModbusTcpClient
from pymodbus.pdu.mei_message import ReadDeviceInformationResponse

from poller.model.status import Behaviour
from poller.reading.frames import Frame, FrameReader, adu
from poller.site.register_map import RegisterMap
from poller.site.settings import RelayEntry
from simulator.acts import Away, Back, Behave, Misbehave, Show, Write
from simulator.misbehaviour import Plan
from simulator.scenario import Scenario
from simulator.serve import Address, Fleet
from simulator.stage import Stage, load_stage
from tests.peers import libmodbus
from tests.simulator.layouts import LIVE, layout

CONFIG = Path(__file__).parents[2] / "config"
READ_VERSION = bytes.fromhex("03 0000 0004")
VERSION = b"\x03\x081.0\0\0\0\0\0"
READ_FLAGS = bytes.fromhex("02 0005 0003")

FOUR_TABLES: dict[str, Any] = {
    "ranges": [
        {"table": "holding", "first": 0, "last": 99},
        {"table": "input", "first": 200, "last": 299},
        {"table": "coil", "first": 0, "last": 15},
        {"table": "discrete", "first": 5, "last": 7},
    ],
    "identification": "extended",
    "nameplate": {
        "serNum": {"table": "input", "address": 200, "type": "u32"},
        "vendor": {"object": 0},
        "orderCode": {"object": 1},
        "model": {"object": 5},
    },
    "status": {
        "behaviour": {
            "table": "holding", "address": 9, "type": "enum", "names": {1: "on", 3: "test"},
        },
        "flags": [
            {"table": "coil", "address": 3, "type": "bool", "flag": "one"},
            {"table": "discrete", "address": 6, "type": "bool", "flag": "two"},
        ]
    },
    "flags": {"one": {**LIVE, "active": "zero"}, "two": {**LIVE, "active": "zero"}},
}  # fmt: skip
PLATE = {
    "swRev": ["1.0"],
    "serNum": ["{n}"],
    "vendor": ["Invented"],
    "orderCode": ["X-1"],
    "model": ["M1"],
}


def entry(name: str, port: int = 1, **more: Any) -> RelayEntry:
    plain: dict[str, Any] = {"bay": "Q1", "function": "main", "maps": ("test",), "client_slots": 4}
    return RelayEntry(id=name, host="127.1.200.1", port=port, **{**plain, **more})


def stage(*entries: RelayEntry, one: RegisterMap | None = None) -> Stage:
    scenario = Scenario.model_validate(
        {
            "format": 1,
            "scenario": "test",
            "gateway": {"delay_s": 0.0, "timeout_s": 0.01},
            "boxes": [
                {"map": "test", "nameplate": PLATE, "objects": {128: "x" * 60, 129: "y" * 60},
                 "reply_octets_max": 80}
            ],
        }
    )  # fmt: skip
    return Stage(scenario=scenario, entries=entries, maps={"test": one or layout(**FOUR_TABLES)})


@pytest.fixture
async def fleet() -> AsyncIterator[Fleet]:
    async with Fleet(stage(entry("a"))) as running:
        yield running


class Wire:
    """A client that hides nothing: whole frames as they came."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._reader, self._writer = reader, writer
        self._frames = FrameReader()
        self._come: list[Frame] = []

    def ask(self, pdu: bytes, transaction: int = 1, unit: int = 255) -> None:
        self._writer.write(adu(transaction, unit, pdu))

    async def frame(self) -> Frame:
        async with asyncio.timeout(5):
            while not self._come:
                data = await self._reader.read(4_096)
                assert data, "closed"
                self._come += self._frames.feed(data)
        return self._come.pop(0)

    async def octets(self, count: int) -> bytes:
        async with asyncio.timeout(5):
            return await self._reader.readexactly(count)

    async def closed(self) -> bool:
        async with asyncio.timeout(5):
            try:
                return await self._reader.read(1) == b""
            except ConnectionError:
                return True


@asynccontextmanager
async def wire(address: Address) -> AsyncIterator[Wire]:
    reader, writer = await asyncio.open_connection(address.host, address.port)
    try:
        yield Wire(reader, writer)
    finally:
        writer.close()


@asynccontextmanager
async def pymodbus(address: Address) -> AsyncIterator[AsyncModbusTcpClient]:
    client = AsyncModbusTcpClient(address.host, port=address.port, timeout=5, retries=0)
    assert await client.connect()
    try:
        yield client
    finally:
        client.close()


# pymodbus's own client.


async def test_pymodbus_reads_all_four_tables(fleet: Fleet) -> None:
    async with pymodbus(fleet.addresses["a"]) as client:
        holding = await client.read_holding_registers(0, count=2, device_id=255)
        inputs = await client.read_input_registers(200, count=2, device_id=255)
        coils = await client.read_coils(0, count=5, device_id=255)
        discrete = await client.read_discrete_inputs(5, count=3, device_id=255)
    assert holding.registers == [0x312E, 0x3000]
    assert inputs.registers == [0, 1]
    assert coils.bits[:5] == [False, False, False, True, False]
    assert discrete.bits[:3] == [False, True, False]


async def test_pymodbus_is_told_exceptions(fleet: Fleet) -> None:
    async with pymodbus(fleet.addresses["a"]) as client:
        outside = await client.read_holding_registers(98, count=3, device_id=255)
        unknown = await client.read_device_information(read_code=4, object_id=9, device_id=255)
    assert (outside.exception_code, unknown.exception_code) == (2, 2)


async def test_pymodbus_follows_an_identification_over_several_answers(fleet: Fleet) -> None:
    found: dict[int, bytes] = {}
    turns = following = 0
    async with pymodbus(fleet.addresses["a"]) as client:
        while True:
            answer = await client.read_device_information(
                read_code=3, object_id=following, device_id=255
            )
            assert isinstance(answer, ReadDeviceInformationResponse)
            found |= answer.information
            turns += 1
            if answer.more_follows == 0:
                break
            following = answer.next_object_id
    assert turns == 3
    assert found == {
        0: b"Invented", 1: b"X-1", 2: b"1.0", 5: b"M1", 128: b"x" * 60, 129: b"y" * 60,
    }  # fmt: skip


async def test_pymodbus_sees_each_identity_apart() -> None:
    other = layout(**{**FOUR_TABLES, "map": "other"})
    two = stage(entry("a", 1), entry("b", 2, maps=("other",)))
    maps = {**two.maps, "other": other}
    async with Fleet(Stage(scenario=two.scenario, entries=two.entries, maps=maps)) as running:
        vendors = []
        for name in ("a", "b"):
            async with pymodbus(running.addresses[name]) as client:
                answer = await client.read_device_information(device_id=255)
                assert isinstance(answer, ReadDeviceInformationResponse)
                vendors.append(answer.information[0])
    assert vendors == [b"Invented", b"Invented Relays"]


# C libmodbus.


@libmodbus.needs_libmodbus
async def test_libmodbus_reads_all_four_tables(fleet: Fleet) -> None:
    host, port, unit = fleet.addresses["a"]

    def read() -> tuple[list[int], list[int], list[bool], list[bool]]:
        with libmodbus.Client(host, port, unit) as client:
            return (
                client.registers(0, 2),
                client.input_registers(200, 2),
                client.bits(0, 5),
                client.input_bits(5, 3),
            )

    assert await asyncio.to_thread(read) == (
        [0x312E, 0x3000], [0, 1], [False, False, False, True, False], [False, True, False],
    )  # fmt: skip


@libmodbus.needs_libmodbus
@pytest.mark.parametrize("code", range(1, 12))
async def test_libmodbus_is_told_every_exception(fleet: Fleet, code: int) -> None:
    await fleet.do("a", Misbehave(plan=Plan(kind="exception", parameters={"code": code})))
    host, port, unit = fleet.addresses["a"]

    def read() -> int | None:
        with (
            libmodbus.Client(host, port, unit) as client,
            pytest.raises(libmodbus.LibmodbusError) as refused,
        ):
            client.registers(0, 1)
        return refused.value.exception

    assert await asyncio.to_thread(read) == code


# Misbehaviour as it stands on the wire.


@asynccontextmanager
async def spoiled(kind: str, **parameters: float) -> AsyncIterator[Wire]:
    async with Fleet(stage(entry("a"))) as running:
        await running.do("a", Misbehave(plan=Plan(kind=kind, parameters=parameters)))
        async with wire(running.addresses["a"]) as client:
            yield client


ONE_FRAME: dict[str, Callable[[Frame], bool]] = {
    "delay": lambda frame: frame == Frame(1, 255, VERSION),
    "split": lambda frame: frame == Frame(1, 255, VERSION),
    "wrong_transaction": lambda frame: frame == Frame(2, 255, VERSION),
    "wrong_unit": lambda frame: frame == Frame(1, 0, VERSION),
    "wrong_function": lambda frame: frame == Frame(1, 255, b"\x04" + VERSION[1:]),
    "short": lambda frame: frame == Frame(1, 255, b"\x03\x06" + VERSION[2:-2]),
    "busy": lambda frame: frame == Frame(1, 255, b"\x83\x06"),
    "two_frames": lambda frame: frame == Frame(0, 255, VERSION),
    "corrupted": lambda frame: frame.pdu != VERSION and len(frame.pdu) == len(VERSION),
}


@pytest.mark.parametrize("kind", list(ONE_FRAME))
async def test_a_spoiled_answer_on_the_wire(kind: str) -> None:
    quick = {"delay": {"seconds": 0.01}, "split": {"gap_s": 0.001}}.get(kind, {})
    async with spoiled(kind, **quick) as client:
        client.ask(READ_VERSION)
        assert ONE_FRAME[kind](await client.frame())


async def test_two_frames_come_with_the_right_one_behind() -> None:
    async with spoiled("two_frames") as client:
        client.ask(READ_VERSION, transaction=7)
        assert [(await client.frame()).transaction for _ in range(2)] == [6, 7]


async def test_a_late_answer_comes_when_the_next_is_asked() -> None:
    async with spoiled("late") as client:
        client.ask(READ_VERSION, transaction=1)
        client.ask(READ_FLAGS, transaction=2)
        assert await client.frame() == Frame(1, 255, VERSION)


async def test_without_an_answer_the_connection_stays() -> None:
    async with Fleet(stage(entry("a"))) as running:
        await running.do("a", Misbehave(plan=Plan(kind="no_reply", times=1)))
        async with wire(running.addresses["a"]) as client:
            client.ask(READ_VERSION, transaction=1)
            client.ask(READ_VERSION, transaction=2)
            assert (await client.frame()).transaction == 2


async def test_garbage_comes_as_long_as_wished() -> None:
    async with spoiled("garbage", octets=40) as client:
        client.ask(READ_VERSION)
        assert len(await client.octets(40)) == 40


async def test_a_frame_stops_in_the_middle() -> None:
    async with spoiled("cut_off", octets=2) as client:
        client.ask(READ_VERSION)
        assert await client.octets(15) == adu(1, 255, VERSION)[:-2]


@pytest.mark.parametrize(
    ("kind", "parameters"), [("hang_up", {}), ("idle_close", {"seconds": 0.05})]
)
async def test_the_connection_is_closed(kind: str, parameters: dict[str, float]) -> None:
    async with spoiled(kind, **parameters) as client:
        if kind == "hang_up":
            client.ask(READ_VERSION)
        assert await client.closed()


async def test_used_up_slots_close_further_connections_at_once(fleet: Fleet) -> None:
    await fleet.do("a", Misbehave(plan=Plan(kind="slots", parameters={"slots": 1})))
    async with wire(fleet.addresses["a"]) as first:
        first.ask(READ_VERSION)
        await first.frame()
        async with wire(fleet.addresses["a"]) as second:
            assert await second.closed()
        first.ask(READ_VERSION, transaction=9)
        assert (await first.frame()).transaction == 9


async def test_a_relay_has_the_slots_that_the_site_says() -> None:
    async with Fleet(stage(entry("a", client_slots=2))) as running:
        address = running.addresses["a"]
        async with wire(address) as one, wire(address) as two:
            for client in (one, two):
                client.ask(READ_VERSION)
                await client.frame()
            async with wire(address) as three:
                assert await three.closed()


async def test_a_header_that_is_none_closes_the_connection(fleet: Fleet) -> None:
    async with wire(fleet.addresses["a"]) as client:
        client._writer.write(b"GET / HTTP/1.0\r\n\r\n")
        assert await client.closed()


async def refused(address: Address) -> bool:
    try:
        async with wire(address):
            return False
    except ConnectionRefusedError:
        return True


@pytest.mark.parametrize(
    ("begins", "ends"),
    [
        (Misbehave(plan=Plan(kind="refuse")), Behave(kind="refuse")),
        (Away(how="refuse"), Back()),
    ],
)
async def test_connections_are_refused_until_it_ends(
    fleet: Fleet, begins: Misbehave | Away, ends: Behave | Back
) -> None:
    address = fleet.addresses["a"]
    async with wire(address) as before:
        before.ask(READ_VERSION)
        await before.frame()
        await fleet.do("a", begins)
        assert await before.closed()
    assert await refused(address)
    await fleet.do("a", ends)
    async with wire(address) as after:
        after.ask(READ_VERSION)
        assert await after.frame() == Frame(1, 255, VERSION)


# A serial gateway.


@pytest.fixture
async def gateway() -> AsyncIterator[Fleet]:
    units = [entry(f"u{unit}", unit=unit, behind_serial=True) for unit in (1, 2, 3)]
    async with Fleet(stage(*units)) as running:
        yield running


async def test_units_of_a_gateway_share_its_address(gateway: Fleet) -> None:
    places = {(address.host, address.port) for address in gateway.addresses.values()}
    assert len(places) == 1


async def test_a_gateway_answers_in_turn_each_unit_for_itself(gateway: Fleet) -> None:
    read_serial = bytes.fromhex("04 00c8 0002")
    async with wire(gateway.addresses["u1"]) as client:
        for unit in (3, 1, 2):
            client.ask(read_serial, transaction=unit, unit=unit)
        got = [await client.frame() for _ in range(3)]
    assert [(frame.transaction, frame.unit, frame.pdu[-1]) for frame in got] == [
        (3, 3, 3), (1, 1, 1), (2, 2, 2),
    ]  # fmt: skip


@pytest.mark.parametrize("unit", [2, 9])
async def test_for_an_absent_unit_the_gateway_answers_0b(gateway: Fleet, unit: int) -> None:
    await gateway.do("u2", Away())
    async with wire(gateway.addresses["u1"]) as client:
        client.ask(READ_VERSION, unit=unit)
        client.ask(READ_VERSION, transaction=2, unit=1)
        assert await client.frame() == Frame(1, unit, b"\x83\x0b")
        assert await client.frame() == Frame(2, 1, VERSION)


# Truth.


async def test_the_truth_is_what_a_client_reads(fleet: Fleet) -> None:
    async with pymodbus(fleet.addresses["a"]) as client:

        async def seen() -> tuple[str, int]:
            words = (await client.read_holding_registers(0, count=10, device_id=255)).registers
            text = b"".join(word.to_bytes(2, "big") for word in words[:4])
            return text.rstrip(b"\0").decode(), words[9]

        before = await seen()
        await fleet.do("a", Write(values={"swRev": "1.1"}))
        await fleet.do("a", Show(behaviour=Behaviour.TEST))
        after = await seen()
    told = [(one.attribute, one.before, one.after) for one in fleet.truth]
    assert told == [
        ("swRev", before[0], after[0]),
        ("behaviour", before[1], after[1]),
    ]


async def test_a_silent_relay_takes_connections_and_says_nothing(fleet: Fleet) -> None:
    await fleet.do("a", Away())
    async with wire(fleet.addresses["a"]) as client:
        client.ask(READ_VERSION, transaction=1)
        async with asyncio.timeout(5):
            while "3" not in fleet.function_codes:  # noqa: ASYNC110
                await asyncio.sleep(0)  # the relay is told nothing and can tell nothing
        await fleet.do("a", Back())
        client.ask(READ_VERSION, transaction=2)
        assert (await client.frame()).transaction == 2
    assert [(one.attribute, one.after) for one in fleet.truth] == [
        ("answering", False), ("answering", True),
    ]  # fmt: skip


# Many.


async def test_a_thousand_relays_start_and_answer() -> None:
    path = str(CONFIG / "scenarios" / "thousand.yaml")
    async with Fleet(load_stage(path, lambda name: Path(name).read_text())) as running:
        addresses = running.addresses
        assert len({(one.host, one.port) for one in addresses.values()}) == 1_000

        async def asks(name: str, address: Address) -> bool:
            async with wire(address) as client:
                pdu = bytes([43, 14, 4, 0]) if running.relay(name).image.objects else b""
                table = 3 if running.relay(name).layout.map == "larch" else 4
                client.ask(pdu or bytes([table, 0, 0, 0, 1]))
                return (await client.frame()).pdu[0] < 0x80

        answers = await asyncio.gather(*(asks(*one) for one in addresses.items()))
    assert answers == [True] * 1_000
