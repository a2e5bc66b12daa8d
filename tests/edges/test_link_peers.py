"""Our link reads servers that are not ours: pymodbus's own, and C libmodbus."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping

import pytest

from poller.edges.link import Link
from poller.reading.exchange import Outcome, Refused, Reply, bits, registers
from poller.reading.frames import identify, read
from poller.reading.identification import Identification, Kind
from tests.peers.libmodbus import Server, needs_libmodbus
from tests.peers.pymodbus_server import pymodbus_server

COILS = [at % 3 == 0 for at in range(48)]
DISCRETE = [at % 5 in (1, 2) for at in range(48)]
HOLDING = [at * 257 % 65_536 for at in range(300)]
INPUTS = [65_535 - at for at in range(300)]
IDENTITY = {
    0: "Rookwood Protection",
    1: "H7-A-1",
    2: "V2.11",
    3: "https://rookwood.example",
    4: "Heron",
    5: "Heron-7 " + "x" * 120,
    6: "Q07 main 1 " + "y" * 120,
}


def link_to(port: int) -> Link:
    loop = asyncio.get_running_loop()
    return Link(
        loop.create_connection,
        "127.0.0.1",
        port,
        source=None,
        gateway=False,
        rest_ms=0,
        monotonic=loop.time,
    )


def pdu_of(outcome: Outcome) -> bytes:
    assert isinstance(outcome, Reply), outcome
    return outcome.pdu


async def check_tables(link: Link) -> None:
    """All four tables, the longest register read, and the refusal of what is not there."""
    for table, address, count, values in (
        ("coil", 5, 37, COILS),
        ("discrete", 0, 48, DISCRETE),
        ("holding", 7, 125, HOLDING),
        ("input", 299, 1, INPUTS),
    ):
        pdu = pdu_of(await link.ask(1, read(table, address, count), 5))  # type: ignore[arg-type]
        told = bits(pdu, count) if table in ("coil", "discrete") else registers(pdu)
        assert list(told) == values[address : address + count], table
    for table in ("coil", "discrete", "holding", "input"):
        # specification 7 p48: start and quantity beyond the map is exception 02
        assert await link.ask(1, read(table, 290, 50), 5) == Refused(code=2), table  # type: ignore[arg-type]


async def identified(link: Link, kind: Kind, wanted: frozenset[int]) -> Mapping[int, bytes]:
    dialogue = Identification(kind, wanted)
    turns = 0
    while (request := dialogue.request) is not None:
        outcome = await link.ask(1, request, 5)
        turns += 1
        if outcome == Refused(code=2) and dialogue.single:
            dialogue.absent()
        else:
            dialogue.feed(pdu_of(outcome))
    if kind == "regular":
        assert turns > 1, "nothing more followed, so that is not tested"
    return dialogue.objects


async def test_pymodbus_tables() -> None:
    async with pymodbus_server(
        coils=COILS, discrete=DISCRETE, holding=HOLDING, inputs=INPUTS, identity=IDENTITY
    ) as port:
        link = link_to(port)
        await check_tables(link)
        await link.close()


@pytest.mark.parametrize(
    ("kind", "told"),
    [
        ("basic", {0, 1, 2}),
        ("regular", set(range(7))),
        ("individual", {1, 5}),  # 0x80 is asked for as well, and is not there
    ],
)
async def test_pymodbus_identification(kind: Kind, told: set[int]) -> None:
    async with pymodbus_server(
        coils=COILS, discrete=DISCRETE, holding=HOLDING, inputs=INPUTS, identity=IDENTITY
    ) as port:
        link = link_to(port)
        objects = await identified(link, kind, frozenset({1, 5, 0x80}))
        await link.close()
    assert objects == {number: IDENTITY[number].encode() for number in told}


@needs_libmodbus
async def test_libmodbus_tables() -> None:
    with Server(coils=COILS, discrete=DISCRETE, holding=HOLDING, inputs=INPUTS) as server:
        link = link_to(server.port)
        await check_tables(link)
        await link.close()


@needs_libmodbus
async def test_libmodbus_has_no_identification() -> None:
    # it knows no function code 43: exception 01
    with Server(holding=HOLDING) as server:
        link = link_to(server.port)
        assert await link.ask(1, identify(1), 5) == Refused(code=1)
        await link.close()
