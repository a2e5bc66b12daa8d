"""Simulated relays on sockets: one listener an address, a serial gateway behind some of them."""

from __future__ import annotations

import asyncio
import resource
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Final

from poller.reading.frames import BadHeader, Frame, FrameReader, adu
from simulator.bench import Bench
from simulator.misbehaviour import Line, Step
from simulator.relay import exception, function_code
from simulator.scenario import Gateway

ABSENT: Final = 0x0B  # gateway target device failed to respond
BUSY: Final = 0x06
GATEWAY_QUEUE_MAX: Final = 64
BACKLOG: Final = 32
OPEN_TRIES: Final = 25  # of 0.2 s: a port that was ours a moment ago comes free again
OPEN_RETRY_S: Final = 0.2


def utc_now() -> datetime:
    return datetime.now(UTC)


@dataclass(slots=True, kw_only=True)
class Endpoint:
    """One address and the relays there. units: unit id to relay; a direct relay takes any unit.

    gateway: None for a relay that speaks TCP itself. record: told each function code that comes.
    """

    host: str
    port: int
    slots: int
    units: dict[int, str]
    gateway: Gateway | None
    bench: Bench
    record: Callable[[str], None]
    clients: set[Client] = field(default_factory=set)
    server: asyncio.Server | None = None
    queue: asyncio.Queue[tuple[Client, Frame]] = field(
        default_factory=lambda: asyncio.Queue(GATEWAY_QUEUE_MAX)
    )
    worker: asyncio.Task[None] | None = None

    async def open(self) -> None:
        """Raises OSError where the address can't be had. Port 0 becomes the one that was free."""
        loop = asyncio.get_running_loop()
        self.server = await loop.create_server(
            lambda: Client(self), self.host, self.port, backlog=BACKLOG
        )
        self.port = self.server.sockets[0].getsockname()[1]
        if self.gateway is not None and self.worker is None:
            self.worker = asyncio.create_task(self._serve_in_turn(self.gateway))

    async def close(self) -> None:
        self._shut()
        if self.worker is not None:
            self.worker.cancel()
            await asyncio.wait([self.worker])
            self.worker = None

    async def follow(self) -> None:
        """Opens or shuts the address as the relay there now is."""
        if not self.refuses:
            await self._reopen()
        elif self.server is not None:
            self._shut()

    @property
    def direct(self) -> str | None:
        """The relay that answers for every unit here."""
        return next(iter(self.units.values())) if self.gateway is None else None

    @property
    def refuses(self) -> bool:
        if self.direct is None:
            return False
        post = self.bench.posts[self.direct]
        return post.away == "refuse" or post.spoiler.plan("refuse") is not None

    @property
    def free_slots(self) -> int:
        left = self.slots
        if self.direct is not None:
            plan = self.bench.posts[self.direct].spoiler.plan("slots")
            left = left if plan is None else int(plan.value("slots"))
        return left - len(self.clients)

    @property
    def idle_s(self) -> float | None:
        if self.direct is None:
            return None
        plan = self.bench.posts[self.direct].spoiler.plan("idle_close")
        return None if plan is None else plan.value("seconds")

    def asked(self, client: Client, frame: Frame) -> None:
        self.record(function_code(frame.pdu))
        if self.direct is not None:
            if self.bench.posts[self.direct].away is None:
                client.send(self._answer(self.direct, frame))
            return
        try:
            self.queue.put_nowait((client, frame))
        except asyncio.QueueFull:
            client.send([Step(_refusal(frame, BUSY))])

    async def _serve_in_turn(self, gateway: Gateway) -> None:
        """One line, one request at a time."""
        while True:
            client, frame = await self.queue.get()
            name = self.units.get(frame.unit)
            if name is None or self.bench.posts[name].away is not None:
                await asyncio.sleep(gateway.timeout_s)
                client.send([Step(_refusal(frame, ABSENT))])
            else:
                await asyncio.sleep(gateway.delay_s)
                client.send(self._answer(name, frame))

    def _answer(self, name: str, frame: Frame) -> list[Step]:
        return self.bench.answer(name, frame.transaction, frame.unit, frame.pdu, utc_now())

    async def _reopen(self) -> None:
        for last in range(OPEN_TRIES):
            if self.server is not None:
                return
            try:
                await self.open()
            except OSError:
                if last == OPEN_TRIES - 1:
                    raise
                await asyncio.sleep(OPEN_RETRY_S)

    def _shut(self) -> None:
        if self.server is not None:
            self.server.close()
            self.server = None
        for client in list(self.clients):
            client.drop()


class Client(asyncio.Protocol):
    """One connection. Takes a slot as long as it lasts."""

    def __init__(self, endpoint: Endpoint) -> None:
        self._endpoint = endpoint
        self._reader = FrameReader()
        self._line = Line()
        self._transport: asyncio.Transport | None = None
        self._idle: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        if self._endpoint.refuses or self._endpoint.free_slots <= 0:
            transport.abort()
            return
        self._transport = transport
        self._endpoint.clients.add(self)
        self._wait_for_more()

    def connection_lost(self, exc: Exception | None) -> None:
        self._endpoint.clients.discard(self)
        self._transport = None
        if self._idle is not None:
            self._idle.cancel()

    def data_received(self, data: bytes) -> None:
        if self._transport is None:  # no slot for it
            return
        self._wait_for_more()
        broken = False
        try:
            frames: Iterable[Frame] = self._reader.feed(data)
        except BadHeader as bad:
            frames, broken = bad.frames, True
            # a function code alone is no frame of the reader's, but the record must be whole
            if data[2:6] == b"\0\0\0\2" and len(data) >= 8:
                self._endpoint.record(function_code(data[7:]))
        for frame in frames:
            self._endpoint.asked(self, frame)
        if broken:
            self.drop()

    def send(self, steps: list[Step]) -> None:
        """Those that wait for the next request are kept until it is there."""
        for step in self._line.order(steps):
            if step.after_s > 0:
                asyncio.get_running_loop().call_later(step.after_s, self._write, step.data)
            else:
                self._write(step.data)

    def drop(self) -> None:
        if self._transport is not None:
            self._transport.abort()
            self._endpoint.clients.discard(self)

    def _write(self, data: bytes | None) -> None:
        if self._transport is None or self._transport.is_closing():
            return
        if data is None:
            self._transport.close()
        else:
            self._transport.write(data)

    def _wait_for_more(self) -> None:
        if self._idle is not None:
            self._idle.cancel()
            self._idle = None
        idle_s = self._endpoint.idle_s
        if idle_s is not None:
            self._idle = asyncio.get_running_loop().call_later(idle_s, self._write, None)


def _refusal(frame: Frame, code: int) -> bytes:
    return adu(frame.transaction, frame.unit, exception(frame.pdu[0], code))


def allow_many_connections() -> None:
    """Raises the soft limit of open files to the hard one: a listener and a client each relay."""
    with suppress(ValueError, OSError):
        _, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
        resource.setrlimit(resource.RLIMIT_NOFILE, (hard, hard))
