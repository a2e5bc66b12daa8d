"""The outstation's side of TCP: who may connect, which connection carries the data, and when.

Each group of clients has one connection that was started last and carries the data. Another one of
the same group that is started takes over; the one before stays connected and says nothing more.
"""

from __future__ import annotations

import asyncio
import socket
import ssl
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, cast

from poller.model import limits
from poller.publishing.iec104 import frames as wire
from poller.publishing.iec104.clients import Clients, clients_of
from poller.publishing.iec104.frames import Asdu, Type
from poller.publishing.iec104.link import Link, LinkFault, Times
from poller.publishing.iec104.station import Station


@dataclass(kw_only=True)
class Outstation:
    """moved: called when something was confirmed.

    now, kept: the time, and whether the clock can be trusted. refused: who was turned away last,
    or over TLS, where that is not known, why.
    """

    station: Station
    clients: Sequence[Clients]
    clients_max: int
    times: Times
    moved: Callable[[], None]
    now: Callable[[], datetime]
    kept: Callable[[], bool]

    def __post_init__(self) -> None:
        self.connections: set[Connection] = set()
        self.refused: str | None = None
        self._server: asyncio.Server | None = None
        self.ended = False

    async def open(self, host: str, port: int, tls: ssl.SSLContext | None) -> None:
        """Listens. Raises OSError."""
        loop = asyncio.get_running_loop()
        if tls is not None:
            tls.sslobject_class = self._watched()
        handshake_s = limits.IEC104_HANDSHAKE_S if tls is not None else None
        self._server = await loop.create_server(
            lambda: Connection(self),
            host,
            port,
            ssl=tls,
            ssl_handshake_timeout=handshake_s,
            start_serving=False,  # cancelled as it starts, there would be nothing to close
        )
        await self._server.start_serving()

    def _watched(self) -> type[ssl.SSLObject]:
        """asyncio tells nobody of a handshake that failed."""
        outstation = self

        class Handshaking(ssl.SSLObject):
            def do_handshake(self) -> None:
                try:
                    super().do_handshake()
                except (ssl.SSLWantReadError, ssl.SSLWantWriteError):
                    raise
                except ssl.SSLError as reason:
                    outstation.refused = f"in the handshake of TLS, {reason}"
                    raise

        return Handshaking

    @property
    def is_open(self) -> bool:
        return self._server is not None and self._server.is_serving()

    @property
    def is_full(self) -> bool:
        return len(self.connections) >= self.clients_max

    def end(self) -> None:
        self.ended = True
        if self._server is not None:
            self._server.close()
        for connection in list(self.connections):
            connection.drop("the poller ends it")


class Connection(asyncio.Protocol):
    def __init__(self, outstation: Outstation) -> None:
        self._outstation = outstation
        self._loop = asyncio.get_running_loop()
        self.link = Link(outstation.times, self._loop.time())
        self._clients: Clients | None = None
        self._transport: asyncio.Transport | None = None
        self.peer = ""
        self._answers: deque[Asdu] = deque()
        self._interrogation: Iterator[Asdu] | None = None
        self._sent: deque[bool] = deque()  # of what is not confirmed: whether it is a change
        self._confirmed = 0
        self._held = False  # it does not read
        self._timer: asyncio.TimerHandle | None = None

    # What asyncio tells.

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast(asyncio.Transport, transport)
        peer = transport.get_extra_info("peername")
        self._clients = clients_of(peer, self._outstation.clients)
        if self._clients is None or self._outstation.is_full or self._outstation.ended:
            self._outstation.refused = peer[0] if peer else None
            self._transport.abort()
            return
        self.peer = f"{peer[0]}:{peer[1]}"
        self._outstation.connections.add(self)
        sock: Any = transport.get_extra_info("socket")
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._settle()

    def connection_lost(self, reason: Exception | None) -> None:
        self.drop(str(reason) if reason else "it went")

    def data_received(self, data: bytes) -> None:
        if self._clients is None or self._transport is None:
            return
        was = self.link.started
        try:
            asdus = self.link.heard(data, self._loop.time())
        except LinkFault as fault:
            self.drop(str(fault))
            return
        self._count(self._clients)
        if self.link.started and not was:
            self._takes_over(self._clients)
        for asdu in asdus:
            self._asked(self._clients, Asdu.of(asdu))
        if not self.link.started:
            self._says_nothing()
        self.flush()

    def pause_writing(self) -> None:
        self._held = True
        if self._transport is not None:
            self._transport.pause_reading()  # who takes no answers asks no questions

    def resume_writing(self) -> None:
        self._held = False
        if self._transport is not None:
            self._transport.resume_reading()
            self.flush()

    # What goes out.

    def flush(self) -> None:
        """As much as there is and as the window and the other end take."""
        if self._transport is None:
            return
        while self.link.room and not self._held:
            octets = self._next()
            if octets is None:
                break
            self.link.say(octets, self._loop.time())
        self._settle()

    def drop(self, why: str) -> None:
        transport, self._transport = self._transport, None
        if self._timer is not None:
            self._timer.cancel()
        if transport is None:
            return
        transport.abort()
        self._outstation.connections.discard(self)
        clients = self._clients
        if clients is not None and self.peer and clients.carrier in (self, None):
            clients.carrier, clients.last = None, f"{self.peer}: {why}"

    def _next(self) -> bytes | None:
        if self._answers:
            self._sent.append(False)
            answer = self._answers.popleft()
            if answer.type == Type.INITIALIZED and self._clients is not None:
                self._clients.initialized = True
            return answer.octets
        if self._interrogation is not None:
            asdu = next(self._interrogation, None)
            if asdu is not None:
                self._sent.append(False)
                return asdu.octets
            self._interrogation = None
        if self._clients is None or self._clients.carrier is not self:
            return None
        change = self._clients.group.next()
        if change is None:
            return None
        self._sent.append(True)
        common = self._outstation.station.common
        return wire.timed(common, change.objects, change.at, change.kept).octets

    def _settle(self) -> None:
        """Writes what gathered, and sees to it that the timers are looked at."""
        if self._transport is None:
            return
        if self.link.out:
            self._transport.write(bytes(self.link.out))
            self.link.out.clear()
        if self._timer is not None:
            self._timer.cancel()
        self._timer = self._loop.call_at(self.link.due_s, self._tick)

    def _tick(self) -> None:
        try:
            self.link.tick(self._loop.time())
        except LinkFault as fault:
            self.drop(str(fault))
        self._settle()

    # What came in.

    def _count(self, clients: Clients) -> None:
        """What was confirmed."""
        new, self._confirmed = self.link.confirmed - self._confirmed, self.link.confirmed
        for _ in range(new):
            if self._sent.popleft() and clients.carrier is self:
                clients.group.confirmed(self._outstation.now(), kept=self._outstation.kept())
        if new:
            self._outstation.moved()

    def _takes_over(self, clients: Clients) -> None:
        before, clients.carrier = clients.carrier, self
        if before is not self:
            if before is not None:
                before.gives_way()
            clients.group.again()
            # it may have carried before: what it then sent is sent once more
            self._sent = deque(False for _ in self._sent)
        if not clients.initialized:
            self._answers.append(wire.initialized(self._outstation.station.common))

    def _asked(self, clients: Clients, asdu: Asdu) -> None:
        station = self._outstation.station
        answer = station.refusal(asdu)
        if answer is None and self._interrogation is not None:
            answer = station.busy(asdu)
        if answer is None:
            group = clients.group
            self._interrogation = station.interrogation(asdu, lambda: group.overflow)
        elif len(self._answers) < limits.IEC104_ANSWERS_MAX:
            self._answers.append(answer)
        else:
            self.drop("it asks more than it lets us answer")

    def gives_way(self) -> None:
        self.link.hold()
        self._says_nothing()

    def _says_nothing(self) -> None:
        self._answers.clear()
        self._interrogation = None
