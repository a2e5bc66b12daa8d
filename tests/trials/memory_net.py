"""Connections without sockets: what a link writes reaches a simulated relay, and the other way.

Latency is drawn from the seed. The net also keeps the book that the trial is judged by: every
request with its time, and how many connections each place had at most.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from random import Random
from typing import Any

from poller.reading.frames import BadHeader, Frame, FrameReader, adu
from simulator.bench import Bench
from simulator.misbehaviour import Line, Step

Place = tuple[str, int]
IN_TIME_S = 0.5  # far less than any time-out that is drawn


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """A request as it reached a place."""

    at: float  # seconds of the loop
    place: Place
    unit: int
    function: int


@dataclass(slots=True, kw_only=True)
class Site:
    """What lies behind one host:port. units: unit id to relay; slots: client slots.

    any_unit: a direct device answers whatever unit id is asked (guide 4.4.1.3).
    """

    units: Mapping[int, str]
    slots: int
    gateway: bool


@dataclass(slots=True)
class Net:
    bench: Bench
    places: Mapping[Place, Site]
    wall: Callable[[], datetime]
    random: Random
    asked: list[Asked] = field(default_factory=list)
    answered: dict[str, list[float]] = field(default_factory=dict)  # relay: whole answers, in time
    most_connections: dict[Place, int] = field(default_factory=dict)
    longest_held: dict[Place, float] = field(default_factory=dict)  # seconds of one connection
    open: dict[Place, list[MemoryTransport]] = field(default_factory=dict)
    _request: asyncio.Future[None] | None = None

    async def connect(
        self, factory: Callable[[], asyncio.BaseProtocol], host: str, port: int, **_: Any
    ) -> tuple[asyncio.Transport, asyncio.BaseProtocol]:
        """As loop.create_connection."""
        place = (host, port)
        await asyncio.sleep(self.latency_s())
        site = self.places[place]
        connections = self.open.setdefault(place, [])
        if self._refuses(site):
            raise ConnectionRefusedError(f"{host}:{port} refuses")
        protocol = factory()
        transport = MemoryTransport(self, place, site, protocol)
        connections.append(transport)
        self.most_connections[place] = max(self.most_connections.get(place, 0), len(connections))
        protocol.connection_made(transport)
        if len(connections) > self._slots(site):
            transport.drop()
        return transport, protocol

    async def next_request(self) -> None:
        self._request = asyncio.get_running_loop().create_future()
        await self._request

    def book(self, asked: Asked) -> None:
        self.asked.append(asked)
        if self._request is not None and not self._request.done():
            self._request.set_result(None)

    def drop(self, relay: str) -> None:
        """The relay's host is gone: connections to it break."""
        for place, site in self.places.items():
            if relay in site.units.values() and not site.gateway:
                for transport in list(self.open.get(place, ())):
                    transport.drop()

    def latency_s(self) -> float:
        return self.random.uniform(0.001, 0.02)

    def _refuses(self, site: Site) -> bool:
        posts = [self.bench.posts[name] for name in site.units.values()]
        return all(
            post.away == "refuse" or post.spoiler.plan("refuse") is not None for post in posts
        )

    def _slots(self, site: Site) -> int:
        plans = [self.bench.posts[name].spoiler.plan("slots") for name in site.units.values()]
        return min([site.slots, *(int(plan.value("slots")) for plan in plans if plan is not None)])


class MemoryTransport(asyncio.Transport):
    """The client's end; the relay's end lives in here as well."""

    def __init__(self, net: Net, place: Place, site: Site, protocol: asyncio.BaseProtocol) -> None:
        super().__init__()
        self._net, self._place, self._site = net, place, site
        self._protocol: Any = protocol
        self._loop = asyncio.get_running_loop()
        self._reader = FrameReader()
        self._lines: dict[str, Line] = {}
        self._closed = False
        self._free_at = 0.0  # octets arrive in the order in which they were sent
        self._used_at = self._opened_at = self._loop.time()

    # The client's side.

    def write(self, data: bytes | bytearray | memoryview) -> None:
        """One request a call, as the link writes; booked as it leaves."""
        if self._closed:
            return
        sent = bytes(data)
        self._net.book(
            Asked(at=self._loop.time(), place=self._place, unit=sent[6], function=sent[7])
        )
        self._loop.call_later(self._net.latency_s(), self._arrive, sent)

    def close(self) -> None:
        if not self._closed:
            self._end()
            self._loop.call_soon(self._protocol.connection_lost, None)

    def abort(self) -> None:
        self.close()

    def is_closing(self) -> bool:
        return self._closed

    def get_extra_info(self, name: str, default: Any = None) -> Any:
        return default

    def get_write_buffer_size(self) -> int:
        return 0

    # The relay's side.

    def drop(self) -> None:
        """The relay closes."""
        if not self._closed:
            self._end()
            self._loop.call_later(self._net.latency_s(), self._protocol.connection_lost, None)

    def _end(self) -> None:
        self._closed = True
        held_s = self._loop.time() - self._opened_at
        self._net.longest_held[self._place] = max(
            self._net.longest_held.get(self._place, 0.0), held_s
        )
        self._net.open[self._place].remove(self)

    def _arrive(self, data: bytes) -> None:
        if self._closed:
            return
        try:
            frames = self._reader.feed(data)
        except BadHeader:
            self.drop()
            return
        for frame in frames:
            self._serve(frame)
        self._close_when_idle()

    def _close_when_idle(self) -> None:
        self._used_at = used_at = self._loop.time()
        for name in self._site.units.values():
            plan = self._net.bench.posts[name].spoiler.plan("idle_close")
            if plan is not None:
                self._loop.call_later(plan.value("seconds"), self._idled, used_at)

    def _idled(self, since: float) -> None:
        if self._used_at == since:
            self.drop()

    def _serve(self, frame: Frame) -> None:
        net = self._net
        name = self._site.units.get(frame.unit)
        if name is None and not self._site.gateway:
            name = next(iter(self._site.units.values()))
        if name is None:
            return
        post = net.bench.posts[name]
        if post.away == "refuse" and not self._site.gateway:
            self.drop()
            return
        if post.away is not None:
            if self._site.gateway:
                self._send(frame, [Step(self._absent(frame), after_s=2.0)])
            return
        steps = net.bench.answer(name, frame.transaction, frame.unit, frame.pdu, net.wall())
        line = self._lines.setdefault(name, Line())
        self._send(frame, line.order(steps))
        whole = adu(frame.transaction, frame.unit, post.relay.reply(frame.pdu))
        if steps and steps[0] == Step(whole):
            self._loop.call_at(self._free_at, self._book, name, self._loop.time())

    @staticmethod
    def _absent(frame: Frame) -> bytes:
        """Exception 0B: the gateway answers for a unit that does not."""
        pdu = bytes([frame.pdu[0] | 0x80, 0x0B])
        head = frame.transaction.to_bytes(2, "big") + b"\0\0\0\3"
        return head + bytes([frame.unit]) + pdu

    def _send(self, frame: Frame, steps: list[Step]) -> None:
        for step in steps:
            when = self._loop.time() + self._net.latency_s() + step.after_s
            when = self._free_at = max(when, self._free_at)
            self._loop.call_at(when, self._deliver, step.data)

    def _book(self, name: str, asked_at: float) -> None:
        """The relay answered as it should, and somebody was there to hear it in time."""
        if not self._closed and self._loop.time() - asked_at < IN_TIME_S:
            self._net.answered.setdefault(name, []).append(self._loop.time())

    def _deliver(self, data: bytes | None) -> None:
        if self._closed:
            return
        if data is None:
            self.drop()
        else:
            self._protocol.data_received(data)
