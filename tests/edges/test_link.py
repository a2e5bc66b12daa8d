"""The link against devices that misbehave, on real sockets over loopback.

Rules: MODBUS Messaging on TCP/IP Implementation Guide V1.0b, 4.2 to 4.4, as listed in the check
values (modbus_tcp_rules.csv): unknown transaction discarded, unit id of a direct device not
significant, server close accepted and the connection reopened when needed.
"""

from __future__ import annotations

import asyncio
import socket
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from poller.edges.link import Link
from poller.model import limits
from poller.reading.exchange import Garbled, NoReply, Outcome, Refused, Reply
from poller.reading.frames import adu, read
from tests.peers.script import Act, Asked, Script, scripted

REQUEST = read("holding", 0, 1)
SEVEN = bytes.fromhex("03 02 00 07")
EIGHT = bytes.fromhex("03 02 00 08")
PATIENT_S = 5.0  # for what comes at once
SHORT_S = 0.08  # for what never comes


def good(asked: Asked) -> None:
    asked.answer(SEVEN)


def silent(asked: Asked) -> None:
    pass


def link_to(
    port: int, *, gateway: bool = False, rest_ms: int = 0, source: str | None = None
) -> Link:
    loop = asyncio.get_running_loop()
    return Link(
        loop.create_connection,
        "127.0.0.1",
        port,
        source=source,
        gateway=gateway,
        rest_ms=rest_ms,
        monotonic=loop.time,
    )


@asynccontextmanager
async def meeting(*acts: Act, **link: Any) -> AsyncIterator[tuple[Link, Script]]:
    """A link and the scripted server it talks to."""
    async with scripted(*acts) as script:
        one = link_to(script.port, **link)
        try:
            yield one, script
        finally:
            await one.close()


async def ask(link: Link, timeout_s: float = PATIENT_S, unit: int = 255) -> Outcome:
    return await link.ask(unit, REQUEST, timeout_s)


async def test_a_question_and_its_answer() -> None:
    async with meeting(good) as (link, script):
        assert await ask(link) == Reply(pdu=SEVEN)
        assert (script.asked[0].unit, script.asked[0].pdu) == (255, REQUEST.pdu)


async def test_the_connection_is_kept() -> None:
    async with meeting(good) as (link, script):
        assert not link.connected
        for _ in range(3):
            await ask(link)
        assert link.connected
        assert script.connections == 1


async def test_an_exception_is_an_answer() -> None:
    async with meeting(lambda a: a.answer(b"\x83\x06")) as (link, _):
        assert await ask(link) == Refused(code=6)
        assert link.connected


async def until(so: Callable[[], bool]) -> None:
    """Turns the loop until something on the other side of a socket has happened."""
    async with asyncio.timeout(PATIENT_S):
        while not so():  # noqa: ASYNC110 - a socket sets no event
            await asyncio.sleep(0.001)


# Late, wrong, torn and foreign answers.


async def test_after_a_time_out_a_direct_connection_is_closed() -> None:
    async with meeting(silent, good) as (link, script):
        assert await ask(link, SHORT_S) == NoReply(reason="no reply within 0.08 s")
        assert not link.connected
        assert await ask(link) == Reply(pdu=SEVEN)
        assert [one.connection for one in script.asked] == [1, 2]


async def test_behind_a_gateway_a_late_answer_is_not_taken_for_the_next() -> None:
    waiting: list[Asked] = []

    def late_then_right(asked: Asked) -> None:
        waiting[0].answer(EIGHT)
        asked.answer(SEVEN)

    async with meeting(waiting.append, late_then_right, gateway=True) as (link, script):
        assert await ask(link, SHORT_S, unit=9) == NoReply(reason="no reply within 0.08 s")
        assert link.connected
        assert await ask(link, unit=9) == Reply(pdu=SEVEN)
        assert script.connections == 1


async def test_an_answer_that_came_late_and_alone_is_no_answer() -> None:
    waiting: list[Asked] = []
    acts = (waiting.append, lambda a: waiting[0].answer(EIGHT))
    async with meeting(*acts, gateway=True) as (link, _):
        await ask(link, SHORT_S, unit=9)
        assert await ask(link, SHORT_S, unit=9) == NoReply(reason="no reply within 0.08 s")


async def test_another_transaction_is_discarded_and_the_right_one_taken() -> None:
    def act(asked: Asked) -> None:
        asked.send(asked.frame(EIGHT, transaction=asked.transaction + 1))
        asked.send(asked.frame(EIGHT, transaction=0))
        asked.answer(SEVEN)

    async with meeting(act) as (link, _):
        assert await ask(link) == Reply(pdu=SEVEN)


async def test_too_many_foreign_frames_close_the_connection() -> None:
    def act(asked: Asked) -> None:
        foreign = asked.frame(EIGHT, transaction=asked.transaction + 7)
        asked.send(foreign * (limits.STRAY_FRAMES_MAX + 1))

    async with meeting(act, good) as (link, script):
        assert await ask(link) == Garbled(reason="more than 8 frames that nobody asked for")
        assert not link.connected
        assert await ask(link) == Reply(pdu=SEVEN)
        assert script.connections == 2


async def test_as_many_foreign_frames_as_allowed_do_no_harm() -> None:
    def act(asked: Asked) -> None:
        foreign = asked.frame(EIGHT, transaction=asked.transaction + 7)
        asked.send(foreign * limits.STRAY_FRAMES_MAX)
        asked.answer(SEVEN)

    async with meeting(act) as (link, _):
        assert [await ask(link) for _ in range(3)] == [Reply(pdu=SEVEN)] * 3


async def test_frames_that_come_while_nobody_asks_do_no_harm() -> None:
    def act(asked: Asked) -> None:
        asked.answer(SEVEN)
        asked.answer(EIGHT)  # the same transaction a second time, in the same segment

    async with meeting(act, good) as (link, script):
        assert await ask(link) == Reply(pdu=SEVEN)
        assert await ask(link) == Reply(pdu=SEVEN)
        assert script.connections == 1


@pytest.mark.parametrize(
    ("gateway", "outcome"),
    [(False, Reply(pdu=SEVEN)), (True, NoReply(reason="no reply within 0.08 s"))],
)
async def test_the_unit_id_counts_behind_a_gateway_only(gateway: bool, outcome: Outcome) -> None:
    # guide 4.4.1.3: in the answer of a direct device it is not significant
    async with meeting(lambda a: a.send(a.frame(SEVEN, unit=10)), gateway=gateway) as (link, _):
        assert await ask(link, SHORT_S, unit=9) == outcome


GARBLED = {
    "another function": (b"\x04\x02\x00\x07", "function code 4 in answer to 3"),
    "another count": (b"\x03\x04\x00\x07\x00\x08", "4 octets said, 4 there, 2 asked for"),
    "short": (b"\x03\x02\x00", "2 octets said, 1 there, 2 asked for"),
}


@pytest.mark.parametrize("gateway", [False, True])
@pytest.mark.parametrize(("pdu", "reason"), GARBLED.values(), ids=GARBLED)
async def test_a_wrong_answer_is_garbled(pdu: bytes, reason: str, gateway: bool) -> None:
    async with meeting(lambda a: a.answer(pdu), good, gateway=gateway) as (link, _):
        assert await ask(link, unit=9) == Garbled(reason=reason)
        # its header was right: the other units behind the gateway keep the connection
        assert link.connected is gateway
        assert await ask(link, unit=9) == Reply(pdu=SEVEN)


@pytest.mark.parametrize("gateway", [False, True])
async def test_garbage_closes_the_connection(gateway: bool) -> None:
    async with meeting(lambda a: a.send(b"welcome\r\n"), good, gateway=gateway) as (link, script):
        assert await ask(link) == Garbled(reason="protocol 27747, not 0")
        assert not link.connected
        assert await ask(link) == Reply(pdu=SEVEN)
        assert script.connections == 2


async def test_a_right_answer_before_garbage_counts_and_the_connection_does_not() -> None:
    async with meeting(lambda a: a.send(a.frame(SEVEN) + b"garbage"), good) as (link, script):
        assert await ask(link) == Reply(pdu=SEVEN)
        assert not link.connected
        assert await ask(link) == Reply(pdu=SEVEN)
        assert script.connections == 2


async def test_an_answer_in_single_octets_is_put_together() -> None:
    async def act(asked: Asked) -> None:
        for octet in asked.frame(SEVEN):
            asked.send(bytes([octet]))
            await asyncio.sleep(0.001)

    async with meeting(act) as (link, _):
        assert await ask(link) == Reply(pdu=SEVEN)


async def test_two_frames_in_one_segment_are_told_apart() -> None:
    def act(asked: Asked) -> None:
        asked.send(asked.frame(EIGHT, transaction=asked.transaction - 1) + asked.frame(SEVEN))

    async with meeting(act) as (link, _):
        assert await ask(link) == Reply(pdu=SEVEN)


# Connections that end, or never begin.


async def test_an_idle_close_is_no_fault() -> None:
    # guide 4.2.1 rule 2: accept the server's close, reopen when needed
    async with meeting(good) as (link, script):
        await ask(link)
        script.close_all()
        await until(lambda: not link.connected)
        assert await ask(link) == Reply(pdu=SEVEN)
        assert script.connections == 2


@pytest.mark.parametrize("end", ["close", "reset"])
async def test_a_close_that_meets_the_request_is_no_fault_either(end: str) -> None:
    """The device closes the held connection just as the request arrives."""
    async with meeting(good, lambda a: getattr(a, end)(), good) as (link, script):
        await ask(link)
        assert await ask(link) == Reply(pdu=SEVEN)
        assert [one.connection for one in script.asked] == [1, 1, 2]


async def test_a_device_that_always_closes_is_tried_anew_only_once() -> None:
    async with meeting(good, Asked.close) as (link, script):
        await ask(link)
        assert await ask(link) == NoReply(reason="the device closed the connection")
        assert len(script.asked) == 3


async def test_a_fresh_connection_that_closes_is_a_miss() -> None:
    async with meeting(Asked.close, good) as (link, script):
        assert await ask(link) == NoReply(reason="the device closed the connection")
        assert len(script.asked) == 1
        assert await ask(link) == Reply(pdu=SEVEN)


async def test_a_port_that_refuses() -> None:
    with socket.socket() as unused:
        unused.bind(("127.0.0.1", 0))
        outcome = await ask(link_to(unused.getsockname()[1]))
    assert isinstance(outcome, NoReply)
    assert outcome.reason.startswith("no connection: ")


async def test_a_host_that_is_no_name() -> None:
    loop = asyncio.get_running_loop()
    link = Link(
        loop.create_connection,
        "a..b",
        1,
        source=None,
        gateway=False,
        rest_ms=0,
        monotonic=loop.time,
    )
    outcome = await ask(link)
    assert isinstance(outcome, NoReply)
    assert outcome.reason.startswith("no connection: ")


async def test_a_connection_that_is_never_made() -> None:
    tries = 0

    async def hangs(*_: Any, **__: Any) -> Any:
        nonlocal tries
        tries += 1
        await asyncio.Event().wait()

    link = Link(hangs, "h", 1, source=None, gateway=False, rest_ms=0, monotonic=lambda: 0.0)
    assert await ask(link, SHORT_S) == NoReply(reason="no connection within 0.08 s")
    assert tries == 1


async def test_a_device_that_vanished_behind_an_open_connection() -> None:
    """Half-open: the other end takes octets, and nobody is there."""
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        listener.listen()
        link = link_to(listener.getsockname()[1])
        assert await ask(link, SHORT_S) == NoReply(reason="no reply within 0.08 s")
        assert not link.connected


# Order, rest, cancellation, closing.


async def test_one_request_is_in_flight_at_a_time() -> None:
    under_way = 0
    most = 0

    async def act(asked: Asked) -> None:
        nonlocal under_way, most
        under_way += 1
        most = max(most, under_way)
        await asyncio.sleep(0.005)
        under_way -= 1
        asked.answer(SEVEN)

    async with meeting(act, gateway=True) as (link, script):
        outcomes = await asyncio.gather(*(ask(link, unit=unit) for unit in range(1, 6)))
        assert outcomes == [Reply(pdu=SEVEN)] * 5
        assert most == 1
        assert sorted(one.unit for one in script.asked) == [1, 2, 3, 4, 5]


async def test_the_rest_runs_from_the_end_of_one_exchange_to_the_next() -> None:
    answered: list[float] = []

    async def act(asked: Asked) -> None:
        await asyncio.sleep(0.03)
        asked.answer(SEVEN)
        answered.append(asyncio.get_running_loop().time())

    async with meeting(act, rest_ms=60) as (link, script):
        for _ in range(3):
            await ask(link)
        asked = [one.at for one in script.asked]
        rests = [after - end for end, after in zip(answered, asked[1:], strict=False)]
        assert min(rests) >= 0.059


async def test_transactions_are_unique_and_never_zero() -> None:
    async with meeting(good) as (link, script):
        link._transaction = 65_533
        for _ in range(4):
            await ask(link)
        assert [one.transaction for one in script.asked] == [65_534, 65_535, 1, 2]


@pytest.mark.parametrize("gateway", [False, True])
async def test_a_cancelled_question_takes_its_answer_with_it(gateway: bool) -> None:
    waiting: list[Asked] = []
    async with meeting(waiting.append, good, gateway=gateway) as (link, script):
        task = asyncio.create_task(ask(link))
        await until(lambda: bool(waiting))
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        assert not link.connected
        assert await ask(link) == Reply(pdu=SEVEN)
        assert script.connections == 2


async def test_closing_frees_the_slot_at_once_and_ends_what_is_under_way() -> None:
    waiting: list[Asked] = []
    async with meeting(waiting.append) as (link, script):
        task = asyncio.create_task(ask(link))
        await until(lambda: bool(waiting))
        await link.close()
        assert await task == NoReply(reason="closed")
        await until(lambda: bool(script.ended))
        assert len(script.asked) == 1


async def test_closed_while_it_rests_it_does_not_connect_again() -> None:
    async with meeting(good, rest_ms=60) as (link, script):
        await ask(link)
        task = asyncio.create_task(ask(link))
        await asyncio.sleep(0)
        await link.close()
        assert await task == NoReply(reason="closed")
        assert script.connections == 1


async def test_a_closed_link_can_be_asked_again() -> None:
    async with meeting(good) as (link, script):
        await ask(link)
        await link.close()
        assert await ask(link) == Reply(pdu=SEVEN)
        assert script.connections == 2


async def test_no_task_is_left_behind() -> None:
    before = asyncio.all_tasks()
    async with meeting(silent, Asked.close, good) as (link, _):
        await ask(link, SHORT_S)
        await ask(link)
        await ask(link)
    await asyncio.sleep(0.01)
    assert asyncio.all_tasks() == before


async def test_socket_options() -> None:
    # guide 4.3.2
    async with meeting(good) as (link, _):
        await ask(link)
        assert link._wire is not None
        assert link._wire.transport is not None
        sock = link._wire.transport.get_extra_info("socket")
        assert sock.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)
        assert sock.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE)


async def test_the_source_address_is_the_one_asked_for() -> None:
    async with meeting(good, source="127.0.0.2") as (link, script):
        await ask(link)
        assert script.asked[0].source == "127.0.0.2"


# Whatever a device sends.


class Canned(asyncio.Transport):
    """A device that answers every request with the same octets."""

    def __init__(self, protocol: Any, chunks: list[bytes]) -> None:
        super().__init__()
        self.protocol, self.chunks, self.sent = protocol, chunks, list[bytes]()

    def write(self, data: bytes | bytearray | memoryview) -> None:
        self.sent.append(bytes(data))
        for chunk in self.chunks:
            asyncio.get_running_loop().call_soon(self.protocol.data_received, chunk)

    def abort(self) -> None:
        asyncio.get_running_loop().call_soon(self.protocol.connection_lost, None)

    def get_extra_info(self, name: str, default: Any = None) -> Any:
        return default


pdus = st.binary(min_size=2, max_size=9)
frames = st.builds(adu, st.integers(0, 3), st.sampled_from([9, 255]), pdus)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.binary(max_size=30) | frames, max_size=4), st.booleans())
def test_any_octets_at_all_come_out_as_data(chunks: list[bytes], gateway: bool) -> None:
    async def one() -> Outcome:
        async def connect(factory: Any, *_: Any, **__: Any) -> Any:
            protocol = factory()
            transport = Canned(protocol, chunks)
            protocol.connection_made(transport)
            return transport, protocol

        loop = asyncio.get_running_loop()
        link = Link(connect, "h", 1, source=None, gateway=gateway, rest_ms=0, monotonic=loop.time)
        return await link.ask(9, REQUEST, 0.005)

    outcome = asyncio.run(one())
    assert isinstance(outcome, Reply | Refused | Garbled | NoReply)
    if isinstance(outcome, Reply):
        units = [9] if gateway else range(256)
        assert any(adu(1, unit, outcome.pdu) in b"".join(chunks) for unit in units)
