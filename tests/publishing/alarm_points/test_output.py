"""Alarm points as an output: what is served is durable, and a port that is taken is waited for."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import AsyncIterator
from typing import Any

import pytest
from pydantic import ValidationError
from pymodbus.client import AsyncModbusTcpClient

from poller.alarms import points
from poller.alarms.point_values import STUCK, VALUE_MAX, RelayValue, StationValue
from poller.alarms.points import STATION, alarm_number, value_number
from poller.model import events as ev
from poller.model.alarms import AlarmState
from poller.model.standing import Points, State
from poller.publishing.alarm_points.output import BLOCKS_MAX, AlarmPoints, open_output
from poller.site.settings import Site
from tests.peers import libmodbus
from tests.peers.libmodbus import needs_libmodbus
from tests.publishing.brokers import HOST, free_port
from tests.publishing.world import (
    Q07,
    Q08,
    House,
    Running,
    alarmed,
    delisted,
    event,
    listed,
    reading,
    seen,
    site,
    until,
)

SILENT = f"{Q07}.silent"
HERE = site(outputs={"alarm_points": {}})


def assigned(state: State, of: Site = HERE) -> list[ev.Event]:
    return [event(body, subject) for subject, body in points.assigned(state.points, of)]


class Bench:
    """A house whose points are assigned and served, and a client that is not ours."""

    def __init__(self) -> None:
        self.house = House()
        self.port = free_port()
        self.client = AsyncModbusTcpClient(HOST, port=self.port, timeout=5, retries=0)

    def output(self, of: Site = HERE, **settings: Any) -> AlarmPoints:
        context = self.house.context(of, name="alarm_points", port=self.port, **settings)
        return open_output(context)

    async def begin(self) -> None:
        await self.house.commit(listed(), listed(Q08), *assigned(self.house.durable.state))

    @property
    def points(self) -> Points:
        return self.house.durable.state.points

    async def connect(self) -> None:
        async with asyncio.timeout(20):
            while not await self.client.connect():  # noqa: ASYNC110 - a port that is not open yet
                await asyncio.sleep(0.02)

    async def bit(self, entry: str = "silent", owner: str = Q07) -> bool:
        number = alarm_number(self.points, owner, entry)
        assert number is not None
        read = await self.client.read_discrete_inputs(number, count=1)
        assert not read.isError(), read
        return bool(read.bits[0])

    async def value(self, place: int, owner: str = STATION) -> int:
        number = value_number(self.points, owner, place)
        assert number is not None
        read = await self.client.read_input_registers(number, count=1)
        assert not read.isError(), read
        return int(read.registers[0])

    async def becomes(self, wanted: Any, ask: Any) -> None:
        async with asyncio.timeout(20):
            while await ask() != wanted:  # noqa: ASYNC110 - nothing there to wait on
                await asyncio.sleep(0.01)


@pytest.fixture
async def bench() -> AsyncIterator[Bench]:
    one = Bench()
    yield one
    one.client.close()


async def test_an_alarm_shows_up_and_clears(bench: Bench) -> None:
    await bench.begin()
    async with Running(bench.house.pump(bench.output()).run()):
        await bench.connect()
        assert not await bench.bit()
        for letter, on in (("B", True), ("C", True), ("A", False)):
            await bench.house.commit(alarmed(AlarmState(letter), alarm=SILENT))
            await bench.becomes(on, bench.bit)
            assert not await bench.bit(owner=Q08)


@needs_libmodbus
async def test_libmodbus_reads_a_whole_block_of_it(bench: Bench) -> None:
    await bench.begin()
    await bench.house.commit(alarmed(alarm=SILENT))
    async with Running(bench.house.pump(bench.output()).run()):
        await bench.connect()
        await bench.becomes(True, bench.bit)
        (block,) = bench.points.blocks[Q07]

        def read() -> tuple[list[bool], list[int]]:
            with libmodbus.Client(HOST, bench.port, 1) as client:
                return client.input_bits(block * 64, 64), client.input_registers(block * 16, 16)

        bits, words = await asyncio.to_thread(read)
    assert [at for at, on in enumerate(bits) if on] == [bench.points.places["silent"]]
    # not asked yet, low priority, one stands, one unacknowledged, firmware not judged
    assert words == [3, 1, 1, 1, 0, *([0] * 11)]


async def test_nothing_is_served_before_there_are_points(bench: Bench) -> None:
    await bench.house.commit(listed(), listed(Q08))
    output = bench.output()
    pump = bench.house.pump(output)
    async with Running(pump.run()):
        await until(lambda: pump.status()[0].cursor == 2)
        assert output.status().connected is False
        assert not await bench.client.connect()
        await bench.house.commit(*assigned(bench.house.durable.state))
        await bench.connect()
        assert output.status().connected is True


async def test_what_stood_before_a_restart_is_served_from_the_first_answer_on(
    bench: Bench,
) -> None:
    await bench.begin()
    await bench.house.commit(alarmed(alarm=SILENT))
    for _ in range(2):
        async with Running(bench.house.pump(bench.output()).run()):
            await bench.connect()
            assert await bench.bit()
            bench.client.close()


async def test_a_relay_that_goes_leaves_its_addresses_to_nobody(bench: Bench) -> None:
    await bench.begin()
    before = bench.points
    async with Running(bench.house.pump(bench.output()).run()):
        await bench.connect()
        await bench.becomes(2, lambda: bench.value(StationValue.RELAYS))
        await bench.house.commit(delisted(), *assigned(bench.house.durable.state))
        await bench.becomes(1, lambda: bench.value(StationValue.RELAYS))
        assert await bench.value(RelayValue.COMMUNICATION, Q07) == 0
        assert not await bench.bit()
    assert bench.points == before


async def test_every_event_passes_though_nobody_reads(bench: Bench) -> None:
    await bench.begin()
    pump = bench.house.pump(bench.output())
    async with Running(pump.run()):
        await bench.house.commit(*(seen(number) for number in range(1_200)))
        await until(lambda: pump.status()[0].lag == 0)
    assert bench.house.gaps == []


# The station's own.


async def test_the_heartbeat_moves(bench: Bench) -> None:
    await bench.begin()
    async with Running(bench.house.pump(bench.output()).run()):
        await bench.connect()
        first = await bench.value(StationValue.HEARTBEAT)

        async def beats_on() -> bool:
            return await bench.value(StationValue.HEARTBEAT) >= first + 2

        await bench.becomes(True, beats_on)


@pytest.mark.parametrize(
    ("ages_s", "told"),
    [((), VALUE_MAX), ((70,), 70), ((70, 5), 5), ((-3,), 0), ((10**6,), VALUE_MAX)],
)
async def test_how_old_the_newest_reading_is(
    bench: Bench, ages_s: tuple[int, ...], told: int
) -> None:
    bench.house.live = {str(one): reading(at_s=-one) for one in ages_s}  # it is T0 in this house
    await bench.begin()
    async with Running(bench.house.pump(bench.output()).run()):
        await bench.connect()
        assert await bench.value(StationValue.READING_AGE) == told


async def test_the_journal_moves_with_every_event(bench: Bench) -> None:
    await bench.begin()
    async with Running(bench.house.pump(bench.output()).run()):
        await bench.connect()
        await bench.house.commit(seen(1))
        last = bench.house.durable.state.seq
        await bench.becomes(last, lambda: bench.value(StationValue.JOURNAL))


async def test_points_that_stand_still_say_so(bench: Bench) -> None:
    await bench.begin()
    async with Running(bench.house.pump(bench.output()).run()):
        await bench.connect()
        before = await bench.value(StationValue.POLLER)
        bench.house.stuck = True  # the journal can't be written, so that nothing is delivered
        await bench.becomes(STUCK, lambda: bench.value(StationValue.POLLER))
        bench.house.stuck = False
        await bench.becomes(before, lambda: bench.value(StationValue.POLLER))


# Its port.


async def test_a_port_that_is_taken_is_told_and_waited_for(bench: Bench) -> None:
    await bench.begin()
    output = bench.output()
    with socket.socket() as taken:
        taken.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        taken.bind((HOST, bench.port))
        taken.listen()
        pump = bench.house.pump(output)
        async with Running(pump.run()):
            await until(lambda: "already in use" in output.status().says)
            assert output.status().connected is False
            await bench.house.commit(alarmed(alarm=SILENT))
            await until(lambda: pump.status()[0].lag == 0)
            taken.close()
            await bench.connect()
            assert await bench.bit()
            assert output.status().connected is True


@pytest.mark.parametrize("host", ["192.0.2.1", "no.such.name.invalid", "." * 64, "a\x00b"])
async def test_a_host_that_is_not_ours_is_told_and_breaks_nothing(bench: Bench, host: str) -> None:
    """192.0.2.0/24: RFC 5737; .invalid: RFC 2606. Nobody has them."""
    await bench.begin()
    output = bench.output(host=host)
    async with Running(bench.house.pump(output).run()):
        await until(lambda: "can't be opened" in output.status().says)
    assert output.status().connected is False


async def test_a_port_that_is_lost_is_opened_again(bench: Bench) -> None:
    await bench.begin()
    output = bench.output()
    async with Running(bench.house.pump(output).run()):
        await bench.connect()
        server: Any = output._server
        server.transport.close()
        bench.client.close()
        await until(lambda: output._server is not server and output._server is not None)
        await bench.connect()
        assert not await bench.bit()


async def test_a_client_that_asks_nothing_for_its_time_is_let_go(bench: Bench) -> None:
    await bench.begin()
    async with Running(bench.house.pump(bench.output(idle_s=1)).run()):
        await bench.connect()
        reader, writer = await asyncio.open_connection(HOST, bench.port)
        async with asyncio.timeout(10):
            assert await reader.read() == b""
        writer.close()


async def test_status_says_where_it_serves_and_whom(bench: Bench) -> None:
    await bench.begin()
    output = bench.output(unit=9)
    async with Running(bench.house.pump(output).run()):
        await bench.connect()
        await until(lambda: output.status().says.endswith("clients: 1"))
        assert output.status().says == f"serves on {HOST}:{bench.port}, unit 9; clients: 1"


# More than the protocol can address.


async def test_relays_past_the_last_address_are_counted_and_the_others_served(
    bench: Bench,
) -> None:
    last = event(ev.PointBlockAssigned(owner="gone", block=BLOCKS_MAX - 4), "")
    await bench.house.commit(last)
    await bench.begin()
    await bench.house.commit(alarmed(alarm=SILENT))
    blocks = bench.points.blocks
    assert (blocks[STATION], blocks[Q07], blocks[Q08]) == ((1_021,), (1_023,), (1_024,))
    output = bench.output()
    async with Running(bench.house.pump(output).run()):
        await bench.connect()
        assert await bench.bit()
        assert output.status().says.endswith("no addresses left for 1 relay or gateway")
        past = await bench.client.read_input_registers(1_024 * 16, count=1)
        assert past.exception_code == 2


# Its settings.


@pytest.mark.parametrize(
    "settings",
    [
        {"port": 0},
        {"unit": 0},
        {"unit": 256},
        {"clients": ["10.0.0.0/33"]},
        {"clients": ["somewhere"]},
        {"clients_max": 0},
        {"clients_max": 65},
        {"idle_s": 0},
        {"hots": "127.0.0.1"},
    ],
    ids=str,
)
async def test_settings_that_can_not_be_are_refused(bench: Bench, settings: Any) -> None:
    with pytest.raises(ValidationError):
        open_output(bench.house.context(HERE, name="alarm_points", **settings))


async def test_networks_are_written_as_text(bench: Bench) -> None:
    await bench.begin()
    output = bench.output(clients=["10.0.0.0/8", "2001:db8::/32"])
    async with Running(bench.house.pump(output).run()):
        await until(lambda: output.status().connected)
        reader, writer = await asyncio.open_connection(HOST, bench.port)
        async with asyncio.timeout(10):
            assert await reader.read() == b""
        writer.close()


async def test_who_is_turned_away_is_told(bench: Bench) -> None:
    await bench.begin()
    output = bench.output(clients=["10.0.0.0/8"])
    async with Running(bench.house.pump(output).run()):
        await until(lambda: output.status().connected)
        assert "refused" not in output.status().says
        _, writer = await asyncio.open_connection(HOST, bench.port)
        await until(lambda: f"refused last: {HOST}," in output.status().says)
        writer.close()


async def test_it_stays_on_this_machine_unless_told_otherwise(bench: Bench) -> None:
    output = open_output(bench.house.context(HERE, name="alarm_points"))
    assert (output._settings.host, output._settings.port) == ("127.0.0.1", 1502)
