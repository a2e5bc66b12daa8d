"""One contract for all outputs, each against peers that are not ours: tests/publishing/peers.py.

Nothing is lost and nothing out of order, whatever the peer does; and whatever it does, nobody else
is held up.
"""

from __future__ import annotations

import asyncio
import gc
import socket
import threading
import time
import tracemalloc
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any

import pytest

from poller.model import limits
from poller.publishing.opening import found, open_outputs
from poller.publishing.ports import Context
from tests.publishing.brokers import HOST
from tests.publishing.peers import (
    CALLED,
    PEERS,
    WIRED,
    Called,
    Fast,
    Peer,
    Wired,
    mute,
    told,
)
from tests.publishing.world import House, Running, site, until
from tests.publishing.wrong_settings import WRONG, Wrong

HELD_UP_S = 1.0  # far less than any time-out of an output
ENDS_S = 3.0  # two within which the service ends, and one for a busy machine


@pytest.fixture(params=PEERS)
async def peer(
    request: pytest.FixtureRequest, tmp_path: Path, certified: Path
) -> AsyncIterator[Peer]:
    async with PEERS[request.param](tmp_path, certified) as one:
        yield one


@pytest.fixture
async def house(peer: Peer) -> House:
    one = House()
    await peer.begin(one)
    return one


@pytest.fixture(autouse=True)
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Long enough on loopback."""
    for name in ("MQTT_CONNECT_S", "SYSLOG_CONNECT_S"):
        monkeypatch.setattr(limits, name, 1.0)


called = pytest.mark.parametrize("peer", CALLED, indirect=True)
wired = pytest.mark.parametrize("peer", WIRED, indirect=True)


@asynccontextmanager
async def never_held_up() -> AsyncIterator[None]:
    """The loop, in which polling runs too, goes round all the time.

    A thread beside it tells how long the machine itself keeps us waiting; that does not count.
    """
    over, beat_s, machine_s, longest_s = threading.Event(), time.monotonic(), 0.0, 0.0

    def beside() -> None:
        nonlocal beat_s, machine_s
        while not over.is_set():
            time.sleep(0.01)
            now_s = time.monotonic()
            beat_s, machine_s = now_s, max(machine_s, now_s - beat_s)

    async def tick() -> None:
        nonlocal machine_s, longest_s
        while True:
            before_s, machine_s = time.monotonic(), 0.0
            await asyncio.sleep(0.01)
            now_s = time.monotonic()
            longest_s = max(longest_s, now_s - before_s - max(machine_s, now_s - beat_s))

    thread = threading.Thread(target=beside)
    thread.start()
    try:
        async with Running(tick()):
            yield
    finally:
        over.set()
        thread.join()
    assert longest_s < HELD_UP_S


async def ended(task: asyncio.Future[Any]) -> bool:
    """Whether it ends when it is told to, as soon as the service must."""
    task.cancel()
    done, _ = await asyncio.wait((task,), timeout=ENDS_S)
    return bool(done)


# The peer is well.


async def test_every_event_arrives_in_order(peer: Peer, house: House) -> None:
    await house.commit(*map(told, range(700)))
    pump = house.pump(peer.output(house))
    async with Running(pump.run()):
        await until(lambda: peer.has(house.recorded))


async def test_the_status_is_true_of_a_peer_that_is_there(peer: Peer, house: House) -> None:
    pump = house.pump(peer.output(house))
    async with Running(pump.run()):
        await until(lambda: pump.status()[0].lag == 0 and peer.has(house.recorded))
        status = pump.status()[0]
        assert status.connected
        assert HOST in status.says


# The peer goes and comes.


@called
async def test_events_wait_for_a_peer_that_is_away(peer: Called, house: House) -> None:
    pump = house.pump(peer.output(house))
    async with Running(pump.run()) as running:
        await until(lambda: peer.has(house.recorded) and pump.status()[0].lag == 0)
        before = pump.status()[0].cursor
        await peer.away()
        await house.commit(*map(told, range(600)))
        await until(lambda: pump.status()[0].connected is False)
        assert pump.status()[0].cursor == before, "nobody took any of them"
        assert not running.done()
        await peer.back()
        await until(lambda: peer.has(house.recorded) and pump.status()[0].lag == 0)
        assert pump.status()[0].connected


@called
async def test_the_status_tells_why_nobody_is_there(peer: Called, house: House) -> None:
    await peer.away()
    output = peer.output(house)
    pump = house.pump(output)
    async with Running(pump.run()):
        await until(lambda: "not connected yet" not in output.status().says)
        assert output.status().connected is False
        assert HOST in output.status().says


@called
async def test_a_peer_that_was_never_there_is_called_again(peer: Called, house: House) -> None:
    await peer.away()
    pump = house.pump(peer.output(house))
    async with Running(pump.run()):
        await until(lambda: pump.status()[0].connected is False and pump.status()[0].lag == 1)
        await peer.back()
        await until(lambda: peer.has(house.recorded))


@wired
async def test_a_line_that_breaks_in_the_middle_loses_nothing(peer: Wired, house: House) -> None:
    await house.commit(*map(told, range(400)))
    pump = house.pump(peer.output(house))
    peer.wire.cut_in(10_000)
    async with Running(pump.run()):
        for octets in (30_000, 70_000):
            await until(lambda: peer.wire.cuts > 0)
            peer.wire.cuts = 0
            peer.wire.cut_in(octets)
        await until(lambda: peer.has(house.recorded) and pump.status()[0].lag == 0)


@called
async def test_what_was_taken_does_not_come_again_after_a_restart(
    peer: Called, house: House
) -> None:
    for number in range(3):
        pump = house.pump(peer.output(house))
        async with Running(pump.run()):
            await until(lambda: peer.has(house.recorded))
            await until(lambda pump=pump: pump.status()[0].lag == 0)
        await house.commit(told(number))  # notes of cursors are written with a commit
    assert peer.arrived() == house.ids[:-1]


# Cancelled.


async def test_a_delivery_may_be_cancelled_at_any_moment(peer: Peer, house: House) -> None:
    """It may come again; none is left out and no answer is of what was not taken."""
    output, cursor = peer.output(house), 0
    async with Running(output.run()):
        for ms in range(40):
            await house.commit(told(ms))
            events = house.journal.read(cursor)
            task = asyncio.ensure_future(output.deliver(events, house.durable.state))
            await asyncio.sleep(ms / 1_000)
            assert await ended(task)
            if not task.cancelled():
                cursor = task.result()
                assert cursor in {one.seq for one in events}
        while cursor < house.durable.state.seq:
            events = house.journal.read(cursor)
            cursor = await output.deliver(events, house.durable.state)
        await until(lambda: peer.has(house.recorded))


async def test_the_connection_may_be_cancelled_at_any_moment(peer: Peer, house: House) -> None:
    for turns in range(12):  # of the loop: the first ones see an output begin
        await house.commit(told(turns))
        task = asyncio.ensure_future(house.pump(peer.output(house)).run())
        for _ in range(turns):
            await asyncio.sleep(0)
        assert await ended(task), f"still runs, cancelled after {turns} turns"
    for ms in range(3, 60, 3):
        await house.commit(told(ms))
        task = asyncio.ensure_future(house.pump(peer.output(house)).run())
        await asyncio.sleep(ms / 1_000)
        assert await ended(task), f"still runs, cancelled after {ms} ms"
    pump = house.pump(peer.output(house))
    async with Running(pump.run()):
        # some make thousands of nodes first
        await until(lambda: peer.has(house.recorded), within_s=60)
        # and it is this one that tells, not a listener that one of the others left behind
        await until(lambda: pump.status()[0].connected is not False)


@pytest.mark.parametrize("peer", ["alarm_points", "iec104"], indirect=True)
async def test_who_connects_as_an_output_ends_is_let_go(peer: Any, house: House) -> None:
    """Else it would be answered for ever by what tells nothing new any more."""
    for turns in range(8):  # of the loop, from connecting to being a client
        pump = house.pump(peer.output(house))
        task = asyncio.ensure_future(pump.run())
        await until(lambda pump=pump: pump.status()[0].says.startswith(("serves", "listens")))
        with socket.create_connection((HOST, peer.port)) as client:
            client.setblocking(False)
            for _ in range(turns):
                await asyncio.sleep(0)
            assert await ended(task)
            gc.collect()  # asyncio's own loop, not uvloop's, may forget whom it was accepting
            assert await let_go(client), f"it ended {turns} turns after somebody connected"


async def let_go(client: socket.socket) -> bool:
    with suppress(ConnectionError):
        async with asyncio.timeout(5):
            return await asyncio.get_running_loop().sock_recv(client, 1) == b""
    return True


# The peer is slow, or does not answer at all.


@wired
async def test_a_mute_peer_is_told_of_and_can_be_left(peer: Peer, house: House) -> None:
    async with mute() as port:
        output = peer.output(house, port)
        task = asyncio.ensure_future(house.pump(output).run())
        await until(lambda: "not connected yet" not in output.status().says)
        assert output.status().connected is False
        await asyncio.sleep(0.3)  # into the next try
        assert await ended(task)


@wired
async def test_what_a_stalled_peer_does_not_take_is_held_once(peer: Wired, house: House) -> None:
    """However often it is given again: a batch is some hundred KB, thirty of them would be MB."""
    output = peer.output(house)
    async with Running(output.run()):
        events, state = house.journal.read(0), house.durable.state
        await output.deliver(events, state)
        await house.commit(*map(told, range(500)))
        peer.wire.stall()
        events, state = house.journal.read(1), house.durable.state
        held = []
        tracemalloc.start()
        for _ in range(30):
            task = asyncio.ensure_future(output.deliver(events, state))
            await asyncio.sleep(0.02)
            held.append(tracemalloc.get_traced_memory()[0])
            assert await ended(task)
            assert task.cancelled(), "nobody took it"
        tracemalloc.stop()
    assert max(held[5:]) < held[4] + 500_000, held


TROUBLES = [(name, trouble) for name in WIRED for trouble in ("away", "stalled", "mute")]
TROUBLES.append(("syslog-udp", "away"))


@pytest.mark.parametrize(("peer", "trouble"), TROUBLES, indirect=["peer"])
async def test_a_peer_in_trouble_holds_up_nobody_else(
    peer: Any, trouble: str, house: House
) -> None:
    async with mute() as port, never_held_up():
        neighbour = Fast()
        pump = house.pump(peer.output(house, port if trouble == "mute" else None), neighbour)
        if trouble == "away":
            await peer.away()
        async with Running(pump.run()):
            if trouble == "stalled":
                await until(lambda: peer.has(house.recorded))
                peer.wire.stall()
            for number in range(50):
                await house.commit(*(told(number) for _ in range(20)))
                await asyncio.sleep(0.01)
            await until(lambda: neighbour.seqs == [one.seq for one in house.recorded])
            assert pump.status()[0].lag > 0, "it is in trouble"


# Settings.


@pytest.mark.parametrize(
    ("name", "wrong"), [(name, one) for name, all_of in WRONG.items() for one in all_of]
)
def test_wrong_settings_are_problems_with_their_place(name: str, wrong: Wrong) -> None:
    settings, code, at, words = wrong
    of, house = site(outputs={name: settings}), House()

    def context_for(output: str) -> Context:
        return house.context(of, name=output, **settings)

    outputs, problems = open_outputs(of, context_for, file="tarn.yaml")
    assert outputs == []
    (problem,) = problems
    assert (problem.code, problem.file, problem.at) == (code, "tarn.yaml", at)
    assert words in problem.what


def test_every_output_of_ours_is_held_to_this() -> None:
    ours = {name for name, point in found().items() if point.value.startswith("poller.")}
    assert ours == WRONG.keys()
    assert all(any(peer.startswith(name) for peer in PEERS) for name in ours)
