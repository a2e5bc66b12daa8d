"""When the link asks: rests, deadlines and closing, in virtual time over a memory transport."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import cycle, pairwise
from random import Random
from typing import Any

import pytest

from poller.edges import wire as protocol
from poller.edges.deadlines import TICK_S, Deadlines
from poller.edges.link import Link
from poller.edges.wire import End
from poller.reading.exchange import NoReply, Outcome, Reply
from poller.reading.frames import adu, read
from tests.trials.virtual_loop import run

REQUEST = read("holding", 0, 1)
SEVEN = bytes.fromhex("03 02 00 07")
REPLY_S = 0.02
REST_S = 0.25
TIMEOUT_S = 3.0


class Wire(asyncio.Transport):
    """The client's end of one connection; `act` is what the device does with a request."""

    def __init__(self, device: Device, protocol: Any) -> None:
        super().__init__()
        self.device, self.protocol, self.closed = device, protocol, False

    def write(self, data: bytes | bytearray | memoryview) -> None:
        self.device.asked.append(asyncio.get_running_loop().time())
        self.device.acts.pop(0)(self, int.from_bytes(bytes(data[:2]), "big"))

    def abort(self) -> None:
        if not self.closed:
            self.closed = True
            self.device.ended.append(asyncio.get_running_loop().time())
            asyncio.get_running_loop().call_soon(self.protocol.connection_lost, None)

    def get_extra_info(self, name: str, default: Any = None) -> Any:
        return default

    def hear(self, data: bytes) -> None:
        if not self.closed:
            self.protocol.data_received(data)


Act = Callable[[Wire, int], None]


def good(wire: Wire, transaction: int) -> None:
    frame = adu(transaction, 255, SEVEN)
    asyncio.get_running_loop().call_later(REPLY_S, wire.hear, frame)


def silent(wire: Wire, transaction: int) -> None:
    pass


def closes(wire: Wire, transaction: int) -> None:
    asyncio.get_running_loop().call_later(REPLY_S, wire.abort)


@dataclass(slots=True)
class Device:
    """acts: one a request. asked, ended: seconds of requests and of connections that ended."""

    acts: list[Act]
    connect_s: float = 0.0
    asked: list[float] = field(default_factory=list)
    ended: list[float] = field(default_factory=list)
    connections: int = 0

    async def connect(self, factory: Callable[[], Any], *_: Any, **__: Any) -> tuple[Any, Any]:
        await asyncio.sleep(self.connect_s)
        self.connections += 1
        protocol = factory()
        wire = Wire(self, protocol)
        protocol.connection_made(wire)
        return wire, protocol

    def link(self, *, gateway: bool = False) -> Link:
        return Link(
            self.connect,
            "127.0.0.1",
            502,
            source=None,
            gateway=gateway,
            rest_ms=int(REST_S * 1000),
            monotonic=asyncio.get_running_loop().time,
        )


async def ask(link: Link) -> Outcome:
    return await link.ask(255, REQUEST, TIMEOUT_S)


def rests(device: Device) -> list[float]:
    """From the end of each answer, REPLY_S after its request, to the next request."""
    return [after - before - REPLY_S for before, after in pairwise(device.asked)]


def test_the_first_request_does_not_rest() -> None:
    async def main() -> None:
        device = Device([good])
        await ask(device.link())
        assert device.asked == [0.0]

    run(main())


def test_each_request_rests_after_the_answer_before_it() -> None:
    async def main() -> None:
        device = Device([good, good, good])
        link = device.link()
        for _ in range(3):
            await ask(link)
        assert rests(device) == pytest.approx([REST_S, REST_S])

    run(main())


def test_a_relay_that_has_rested_is_asked_at_once() -> None:
    async def main() -> None:
        device = Device([good, good])
        link = device.link()
        await ask(link)
        await asyncio.sleep(10)
        await ask(link)
        assert device.asked == [0.0, pytest.approx(10 + REPLY_S)]

    run(main())


def test_the_second_try_on_a_new_connection_rests_too() -> None:
    async def main() -> None:
        device = Device([good, closes, good])
        link = device.link()
        await ask(link)
        assert await ask(link) == Reply(pdu=SEVEN)
        assert device.connections == 2
        assert rests(device) == pytest.approx([REST_S, REST_S])

    run(main())


def test_a_time_out_rests_as_well() -> None:
    async def main() -> None:
        device = Device([silent, good])
        link = device.link()
        await ask(link)
        await ask(link)
        assert device.asked == [0.0, pytest.approx(TIMEOUT_S + REST_S)]

    run(main())


def test_a_new_connection_does_not_shorten_the_rest() -> None:
    async def main() -> None:
        device = Device([good, good])
        link = device.link()
        await ask(link)
        await link.close()  # as after each visit to a relay with few client slots
        await ask(link)
        assert device.connections == 2
        assert rests(device) == pytest.approx([REST_S])

    run(main())


@pytest.mark.parametrize("gateway", [False, True])
def test_a_question_waits_no_longer_than_its_deadline(gateway: bool) -> None:
    async def main() -> None:
        device = Device([silent])
        outcome = await ask(device.link(gateway=gateway))
        assert outcome == NoReply(reason="no reply within 3 s")
        assert asyncio.get_running_loop().time() == pytest.approx(TIMEOUT_S)
        assert device.ended == ([] if gateway else [pytest.approx(TIMEOUT_S)])

    run(main())


def test_connecting_has_a_deadline_of_its_own() -> None:
    async def main() -> None:
        device = Device([silent], connect_s=2.9)
        assert await ask(device.link()) == NoReply(reason="no reply within 3 s")
        slow = Device([], connect_s=3.1)
        started = asyncio.get_running_loop().time()
        assert await ask(slow.link()) == NoReply(reason="no connection within 3 s")
        assert asyncio.get_running_loop().time() - started == pytest.approx(TIMEOUT_S)

    run(main())


def test_closed_while_it_connects_nothing_is_asked_and_nothing_stays_open() -> None:
    async def main() -> None:
        device = Device([], connect_s=1.0)
        link = device.link()
        task = asyncio.create_task(ask(link))
        await asyncio.sleep(0.5)
        await link.close()
        assert await task == NoReply(reason="closed")
        assert device.asked == []
        assert len(device.ended) == device.connections

    run(main())


def test_closed_under_a_request_it_is_not_tried_again() -> None:
    async def main() -> None:
        device = Device([good, silent])
        link = device.link()
        await ask(link)
        task = asyncio.create_task(ask(link))
        await asyncio.sleep(1)
        await link.close()
        assert await task == NoReply(reason="closed")
        assert asyncio.get_running_loop().time() == pytest.approx(1 + REPLY_S)
        assert (len(device.asked), device.connections) == (2, 1)

    run(main())


# Asked by call-back, on a connection that stands.


def begun(link: Link, ends: list[tuple[float, End]]) -> bool:
    now = asyncio.get_running_loop().time()
    return link.begin(255, REQUEST, TIMEOUT_S, now, lambda end, at: ends.append((at, end)))


def test_the_deadline_counts_from_its_own_request_and_not_from_one_before() -> None:
    async def main() -> None:
        device = Device([good, silent])
        link, ends = device.link(), list[tuple[float, End]]()
        await ask(link)
        await asyncio.sleep(1)
        assert begun(link, ends)
        await asyncio.sleep(10)
        [(when, end)] = ends
        assert 0 <= when - device.asked[1] - TIMEOUT_S <= TICK_S
        assert isinstance(end, TimeoutError)
        assert link.outcome(REQUEST, end) == NoReply(reason="no reply within 3 s")
        assert not link.connected

    run(main())


def test_a_short_time_out_is_kept_while_a_longer_one_is_looked_for() -> None:
    async def main() -> None:
        device = Device([good, silent])
        link = device.link()
        await link.ask(255, REQUEST, 10)
        assert await link.ask(255, REQUEST, 1) == NoReply(reason="no reply within 1 s")
        assert 0 <= asyncio.get_running_loop().time() - device.asked[1] - 1 <= TICK_S

    run(main())


def test_timeouts_that_differ_do_not_heap_up_looks() -> None:
    """On a gateway whose line is never idle, with relays that are waited for longer than others."""

    async def main() -> None:
        deadlines, loop, random = Deadlines(), asyncio.get_running_loop(), Random(1)

        def answers(wire: Wire, transaction: int) -> None:
            loop.call_later(random.uniform(0.03, 0.09), wire.hear, adu(transaction, 255, SEVEN))

        device = Device([answers] * 4_000)
        wire = protocol.Wire(loop.time, deadlines, any_unit=True, ended=0.0)
        wire.connection_made(Wire(device, wire))
        timeouts = cycle((10.0, 1.0))

        def ask(*_: Any) -> None:
            if device.acts:
                wire.ask(len(device.acts), 255, REQUEST.pdu, next(timeouts), loop.time(), ask)

        ask()
        await asyncio.sleep(200)
        assert 0 < len(device.acts) < 1_000
        assert sum(len(looks) for looks in deadlines._looks.values()) < 20

    run(main())


def test_nothing_is_begun_without_a_connection_or_while_the_device_rests() -> None:
    async def main() -> None:
        device = Device([good, good])
        link, ends = device.link(), list[tuple[float, End]]()
        assert not begun(link, ends)
        await ask(link)
        await asyncio.sleep(0.9 * REST_S)
        assert not begun(link, ends)
        await asyncio.sleep(0.2 * REST_S)
        assert begun(link, ends)
        await asyncio.sleep(1)
        assert len(device.asked) == 2
        assert [end for _, end in ends] == [SEVEN]

    run(main())


def test_what_is_under_way_ends_when_the_link_is_closed() -> None:
    async def main() -> None:
        device = Device([good, silent])
        link, ends = device.link(), list[tuple[float, End]]()
        await ask(link)
        await asyncio.sleep(1)
        assert begun(link, ends)
        await link.close()
        [(_, end)] = ends
        assert isinstance(end, ConnectionResetError)
        await asyncio.sleep(10)
        assert len(ends) == 1

    run(main())
