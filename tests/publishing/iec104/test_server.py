"""Which connection carries, and what becomes of requests: without a network, frames by hand."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest

from poller.model import limits
from poller.model.standing import Points, State
from poller.publishing.iec104.clients import Clients
from poller.publishing.iec104.group import Change, Group
from poller.publishing.iec104.link import Times
from poller.publishing.iec104.points import Numbers, picture
from poller.publishing.iec104.server import Connection, Outstation
from poller.publishing.iec104.station import Station
from tests.publishing.iec104.test_link import STARTDT, STARTDT_CON, STOPDT, i, s
from tests.publishing.world import T0, site

GI = "64 01 06 00 0100 000000 14"
COMMAND = "2d 01 06 00 0100 881300 01"


class Way(asyncio.Transport):
    """Where a connection writes to."""

    def __init__(self, peer: str) -> None:
        super().__init__({"peername": (peer, 40_000), "socket": self})
        self.written = bytearray()
        self.ended = self.paused = False

    def setsockopt(self, *option: int) -> None:
        pass

    def write(self, data: Any) -> None:
        self.written += data

    def abort(self) -> None:
        self.ended = True

    def pause_reading(self) -> None:
        self.paused = True

    def resume_reading(self) -> None:
        self.paused = False

    def took(self) -> list[str]:
        """Frames since the last time: their function, or the type of the ASDU with its cause."""
        out = []
        while self.written:
            frame = bytes(self.written[: 2 + self.written[1]])
            del self.written[: len(frame)]
            out.append(frame.hex() if len(frame) == 6 else f"{frame[6]}/{frame[8]}")
        return out


class Room:
    """A group, and those who call."""

    def __init__(self) -> None:
        self.group = Group("main", 1)
        self.group.begin(0)
        points = Points(blocks={"": (0,)}, places={})
        station = Station(
            common=1,
            first=1_000,
            overflow=1,
            numbers=lambda: Numbers(points, site()),
            picture=lambda: picture(State()),
        )
        self.clients = Clients(group=self.group, networks=(), initialized=True)
        self.outstation = Outstation(
            station=station,
            clients=[self.clients],
            clients_max=8,
            times=Times(),
            moved=lambda: None,
            now=lambda: T0,
            kept=lambda: True,
        )

    def calls(self, *heard: str) -> tuple[Connection, Way]:
        connection, way = Connection(self.outstation), Way("192.0.2.1")
        connection.connection_made(way)
        for text in heard:
            connection.data_received(bytes.fromhex(text))
        return connection, way

    def change(self, *seqs: int) -> None:
        for seq in seqs:
            one = Change(seq=seq, at=T0, kept=True, objects=((1_000, seq % 2),))
            self.group.take([one], seq, kept=True)
        self.clients.flush()


@pytest.fixture
async def room() -> Room:
    return Room()


def hear(connection: Connection, *texts: str) -> None:
    connection.data_received(b"".join(bytes.fromhex(text) for text in texts))


async def test_who_was_started_is_told(room: Room) -> None:
    _, way = room.calls(STARTDT)
    room.change(1, 2)
    assert way.took() == [STARTDT_CON.replace(" ", ""), "30/3", "30/3"]


async def test_who_was_not_started_is_told_nothing(room: Room) -> None:
    _, way = room.calls()
    room.change(1)
    assert way.took() == []


async def test_who_is_started_later_takes_over(room: Room) -> None:
    one, way = room.calls(STARTDT)
    room.change(1, 2)
    hear(one, s(1))
    _, other = room.calls(STARTDT)
    assert other.took()[1:] == ["30/3"], "what the first did not confirm"
    way.took()
    room.change(3)
    assert (way.took(), other.took()) == ([], ["30/3"])
    assert not way.ended


async def test_a_late_confirmation_is_no_business_of_who_took_over(room: Room) -> None:
    one, _ = room.calls(STARTDT)
    room.change(1, 2)
    other, _ = room.calls(STARTDT)
    hear(one, s(2))
    assert room.group.position == 0, "the other one has to confirm them"
    hear(other, s(2))
    assert room.group.position == 2


async def test_who_takes_over_again_confirms_what_it_is_sent_again(room: Room) -> None:
    one, _ = room.calls(STARTDT)
    room.change(1, 2)
    room.calls(STARTDT)
    hear(one, STARTDT)
    hear(one, s(2))
    assert room.group.position == 0, "these were sent before the other one"
    hear(one, s(4))
    assert room.group.position == 2


async def test_who_no_longer_carries_may_ask_nothing(room: Room) -> None:
    one, way = room.calls(STARTDT)
    room.calls(STARTDT)
    hear(one, i(0, 0, bytes.fromhex(GI)))
    assert way.ended


async def test_a_connection_that_ends_leaves_what_it_did_not_confirm(room: Room) -> None:
    one, _ = room.calls(STARTDT)
    room.change(1, 2)
    one.connection_lost(None)
    _, way = room.calls(STARTDT)
    assert way.took()[1:] == ["30/3", "30/3"]


async def test_a_second_interrogation_waits_for_nobody(room: Room) -> None:
    one, way = room.calls(STARTDT)
    way.took()
    one.pause_writing()
    hear(one, i(0, 0, bytes.fromhex(GI)), i(1, 0, bytes.fromhex(GI)))
    one.resume_writing()
    told = way.written.hex(" ")
    assert "64 01 47 00 01 00" in told, "refused: one is under way"
    assert way.took() == ["100/71", "100/7", "1/20", "100/10"]


async def test_answers_go_with_the_connection_that_asked(room: Room) -> None:
    one, way = room.calls(STARTDT)
    one.pause_writing()
    hear(one, i(0, 0, bytes.fromhex(COMMAND)), STOPDT)
    one.resume_writing()
    way.took()
    hear(one, STARTDT)
    assert way.took() == [STARTDT_CON.replace(" ", "")]


async def test_answers_do_not_wait_for_who_takes_over_again(room: Room) -> None:
    one, way = room.calls(STARTDT)
    one.pause_writing()
    hear(one, i(0, 0, bytes.fromhex(GI)), i(1, 0, bytes.fromhex(COMMAND)))
    room.calls(STARTDT)
    one.resume_writing()
    way.took()
    hear(one, STARTDT)
    assert way.took() == [STARTDT_CON.replace(" ", "")]


async def test_who_does_not_read_is_told_and_asked_nothing_until_it_does(room: Room) -> None:
    one, way = room.calls(STARTDT)
    way.took()
    one.pause_writing()
    room.change(1)
    assert way.paused
    assert way.took() == []
    one.resume_writing()
    assert not way.paused
    assert way.took() == ["30/3"]


async def test_who_fetches_no_answers_is_let_go(room: Room) -> None:
    one, way = room.calls(STARTDT)
    asked = 0
    while not way.ended:
        hear(one, i(asked, 0, bytes.fromhex(COMMAND)))
        asked += 1
    assert asked == Times().k + limits.IEC104_ANSWERS_MAX + 1


async def test_commands_are_answered_before_what_waits(room: Room) -> None:
    one, way = room.calls(STARTDT)
    way.took()
    room.change(*range(1, 30))
    hear(one, i(0, 0, bytes.fromhex(COMMAND)))
    way.took()
    hear(one, s(12))
    assert way.took()[:2] == ["45/71", "30/3"]


async def test_a_frame_that_is_none_ends_it_and_the_status_says_so(room: Room) -> None:
    one, way = room.calls(STARTDT)
    hear(one, "00 00")
    assert way.ended
    assert "no client (192.0.2.1:40000: what begins with 0000 is no APDU)" in room.clients.says
