"""Between a link and the network: counts what goes over the wire and times the answers.

It stands where a link's `connect` stands, so that the link and all above it are as in the service.
"""

from __future__ import annotations

import asyncio
import struct
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Final

from poller.edges.link import Connect
from poller.reading.exchange import Garbled, Refused, match
from poller.reading.frames import (
    IDENTIFY,
    READ_CODES,
    BadHeader,
    FrameReader,
    Request,
    identify,
    read,
)

TABLES: Final = {code: table for table, code in READ_CODES.items()}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Asked:
    at: float  # monotonic seconds
    transaction: int
    unit: int
    request: Request


@dataclass(slots=True)
class Tap:
    """connect: the network's own. gateway: an answer counts under its unit id only."""

    wire: Connect
    monotonic: Callable[[], float]
    gateway: bool
    requests: int = 0
    sent: int = 0
    received: int = 0
    connections: int = 0
    times_s: list[float] = field(default_factory=list)
    exceptions: Counter[tuple[int, int]] = field(default_factory=Counter)
    unanswered: int = 0
    garbled: int = 0
    refused: int = 0
    lost: int = 0
    _asked: _Asked | None = None

    async def connect(
        self, factory: Callable[[], asyncio.Protocol], host: str, port: int, **more: Any
    ) -> tuple[Any, asyncio.Protocol]:
        """As loop.create_connection."""
        ear = _Ear(self, factory())
        try:
            transport, _ = await self.wire(lambda: ear, host, port, **more)
        except (OSError, asyncio.CancelledError):  # cancelled: it took longer than the time-out
            self.refused += 1
            raise
        self.connections += 1
        return transport, ear.inner

    def settle(self, timeout_s: float) -> None:
        """At the end: what is under way is neither answered nor not."""
        if self._asked is not None and self.monotonic() - self._asked.at >= timeout_s:
            self._give_up()

    # What the two ends do.

    def asks(self, adu: bytes) -> None:
        """One request a call, as the link writes."""
        self._give_up()
        self.requests += 1
        self.sent += len(adu)
        transaction, _, _, unit = struct.unpack_from(">HHHB", adu)
        self._asked = _Asked(
            at=self.monotonic(), transaction=transaction, unit=unit, request=_request(adu[7:])
        )

    def answers(self, transaction: int, unit: int, pdu: bytes) -> None:
        asked = self._asked
        if asked is None or transaction != asked.transaction:
            return
        if self.gateway and unit != asked.unit:
            return
        self._asked = None
        match match(asked.request, pdu):
            case Garbled():
                self.garbled += 1
                return
            case Refused(code=code):
                self.exceptions[asked.request.function, code] += 1
        self.times_s.append(self.monotonic() - asked.at)

    def makes_no_sense(self) -> None:
        self.garbled += 1
        self._asked = None

    def ends(self) -> None:
        """The device closes."""
        if self._asked is not None:
            self.lost += 1
            self._asked = None

    def hangs_up(self) -> None:
        """We close; with a question open its time is over."""
        self._give_up()

    def _give_up(self) -> None:
        if self._asked is not None:
            self.unanswered += 1
            self._asked = None


def _request(pdu: bytes) -> Request:
    """As the link sent it."""
    if pdu[0] == IDENTIFY:
        return identify(pdu[2], pdu[3])
    address, count = struct.unpack_from(">HH", pdu, 1)
    return read(TABLES[pdu[0]], address, count)


class _Ear(asyncio.Protocol):
    """What the network talks to. inner: the link's own protocol."""

    def __init__(self, tap: Tap, inner: asyncio.Protocol) -> None:
        self.inner = inner
        self._tap = tap
        self._reader = FrameReader()
        self._sense = True

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.inner.connection_made(_Mouth(self._tap, transport))

    def data_received(self, data: bytes) -> None:
        self._tap.received += len(data)
        if self._sense:
            try:
                frames = self._reader.feed(data)
            except BadHeader as bad:
                frames, self._sense = list(bad.frames), False
            for frame in frames:
                self._tap.answers(frame.transaction, frame.unit, frame.pdu)
            if not self._sense:
                self._tap.makes_no_sense()
        self.inner.data_received(data)

    def eof_received(self) -> bool | None:
        return self.inner.eof_received()

    def connection_lost(self, reason: Exception | None) -> None:
        self._tap.ends()
        self.inner.connection_lost(reason)


class _Mouth(asyncio.Transport):
    """What the link talks to."""

    def __init__(self, tap: Tap, transport: Any) -> None:
        super().__init__()
        self._tap, self._transport = tap, transport

    def write(self, data: Any) -> None:
        self._tap.asks(bytes(data))
        self._transport.write(data)

    def abort(self) -> None:
        self._tap.hangs_up()
        self._transport.abort()

    def get_extra_info(self, name: str, default: Any = None) -> Any:
        return self._transport.get_extra_info(name, default)
