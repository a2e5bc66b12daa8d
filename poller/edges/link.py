"""One TCP connection to one host:port: one request at a time, each with its deadline and its rest.

Strict: an answer counts only under its own transaction id (and unit id, behind a gateway); anything
else is discarded, and a link that has gone wrong is closed, so that a late reply is never taken for
the next one. Source of the rules: MODBUS Messaging on TCP/IP Implementation Guide V1.0b, 4.2, 4.4.
"""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Awaitable, Callable
from contextlib import suppress
from typing import Any, Final, TypeAlias, cast

from poller.model import limits
from poller.reading.exchange import Garbled, NoReply, Outcome, match
from poller.reading.frames import BadHeader, Frame, FrameReader, Request, adu

Connect: TypeAlias = Callable[..., Awaitable[tuple[Any, Any]]]
"""As loop.create_connection; a trial has a network of its own."""
TRANSACTIONS: Final = 65_535
CLOSED: Final = "the device closed the connection"


class _Wire(asyncio.Protocol):
    """The connection as it is: frames in, and whether it still stands."""

    def __init__(self) -> None:
        self.transport: asyncio.Transport | None = None
        self.lost: str | None = None
        self.waiting: asyncio.Future[bytes | None] | None = None  # None: close, it has gone wrong
        self.transaction = 0
        self.unit: int | None = None  # None: any
        self.strays = 0
        self.why_bad = ""
        self._reader = FrameReader()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = cast(asyncio.Transport, transport)  # uvloop's is none by inheritance
        sock = transport.get_extra_info("socket")
        if sock is not None:
            with suppress(OSError):  # reset already; connection_lost tells in a moment
                sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                sock.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)

    def data_received(self, data: bytes) -> None:
        try:
            frames = self._reader.feed(data)
        except BadHeader as bad:
            self._take(list(bad.frames))
            self._bad(str(bad))
            return
        self._take(frames)

    def eof_received(self) -> None:
        self.lost = CLOSED  # at once, so that the next request does not go into a dead connection

    def connection_lost(self, reason: Exception | None) -> None:
        self.lost = CLOSED if reason is None else str(reason)
        if self.waiting is not None and not self.waiting.done():
            self.waiting.set_exception(ConnectionResetError(self.lost))

    def _take(self, frames: list[Frame]) -> None:
        for frame in frames:
            mine = frame.transaction == self.transaction and self.unit in (None, frame.unit)
            if mine and self.waiting is not None and not self.waiting.done():
                self.waiting.set_result(frame.pdu)
                continue
            self.strays += 1
            if self.strays > limits.STRAY_FRAMES_MAX:
                self._bad(f"more than {limits.STRAY_FRAMES_MAX} frames that nobody asked for")

    def _bad(self, why: str) -> None:
        self.why_bad = self.lost = why
        if self.waiting is not None and not self.waiting.done():
            self.waiting.set_result(None)
        if self.transport is not None:
            self.transport.abort()


class Link:
    """ask() connects when needed. gateway: several units answer here, told apart by unit id.

    rest_ms: between the end of one exchange and the start of the next. source: the local address.
    """

    def __init__(
        self,
        connect: Connect,
        host: str,
        port: int,
        *,
        source: str | None,
        gateway: bool,
        rest_ms: int,
        monotonic: Callable[[], float],
    ) -> None:
        self._connect = connect
        self._place = (host, port)
        self._source = source
        self._gateway = gateway
        self._rest_s = rest_ms / 1000
        self._monotonic = monotonic
        self._wire: _Wire | None = None
        self._transaction = 0
        self._ended = -self._rest_s
        self._one_at_a_time = asyncio.Lock()
        self._told_to_close = False
        self._lost = False  # the connection ended under the last exchange

    @property
    def connected(self) -> bool:
        return self._wire is not None and self._wire.lost is None

    async def ask(self, unit: int, request: Request, timeout_s: float) -> Outcome:
        """The outcome of one request; waits for its turn and its rest first.

        A connection that the device closed while it idled is opened anew, which is no fault.
        """
        async with self._one_at_a_time:
            self._told_to_close = False
            try:
                await self._rest()
                held = self.connected
                outcome = await self._once(unit, request, timeout_s)
                if held and self._lost and not self._told_to_close:
                    await self._rest()
                    outcome = await self._once(unit, request, timeout_s)
            except asyncio.CancelledError:
                self._drop()  # its answer may still come, and would be the next one's
                raise
            return outcome

    async def close(self) -> None:
        """Frees the device's client slot at once; an exchange under way ends with no reply."""
        self._told_to_close = True
        self._drop()

    async def _rest(self) -> None:
        left = self._ended + self._rest_s - self._monotonic()
        if left > 0:
            await asyncio.sleep(left)

    async def _once(self, unit: int, request: Request, timeout_s: float) -> Outcome:
        self._lost = False
        if self._told_to_close:
            return NoReply(reason="closed")
        wire = self._wire
        if wire is None or wire.lost is not None:
            try:
                async with asyncio.timeout(timeout_s):
                    wire = await self._open()
            except TimeoutError:
                return NoReply(reason=f"no connection within {timeout_s:g} s")
            except (OSError, UnicodeError) as reason:  # UnicodeError: a host that can't be a name
                return NoReply(reason=f"no connection: {reason}")
            if self._told_to_close:
                self._drop()
                return NoReply(reason="closed")
        try:
            return await self._exchange(wire, unit, request, timeout_s)
        finally:
            self._ended = self._monotonic()

    async def _exchange(
        self, wire: _Wire, unit: int, request: Request, timeout_s: float
    ) -> Outcome:
        self._transaction = self._transaction % TRANSACTIONS + 1
        wire.transaction, wire.unit = self._transaction, unit if self._gateway else None
        wire.strays = 0
        loop = asyncio.get_running_loop()
        waiting = wire.waiting = loop.create_future()
        assert wire.transport is not None
        wire.transport.write(adu(self._transaction, unit, request.pdu))
        # a third of what asyncio.timeout costs, and there is one for every read
        deadline = loop.call_later(timeout_s, _too_late, waiting)
        try:
            pdu = await waiting
        except TimeoutError:
            if not self._gateway:
                self._drop()
            return NoReply(reason=f"no reply within {timeout_s:g} s")
        except ConnectionResetError as reason:
            self._drop()
            self._lost = True
            return NoReply(reason="closed" if self._told_to_close else str(reason))
        finally:
            deadline.cancel()
            wire.waiting = None
        if pdu is None:
            self._drop()
            return Garbled(reason=wire.why_bad)
        outcome = match(request, pdu)
        if isinstance(outcome, Garbled) and not self._gateway:
            self._drop()
        return outcome

    async def _open(self) -> _Wire:
        self._drop()
        local = {} if self._source is None else {"local_addr": (self._source, 0)}
        host, port = self._place
        _, wire = await self._connect(_Wire, host, port, **local)
        assert isinstance(wire, _Wire)
        self._wire = wire
        return wire

    def _drop(self) -> None:
        """abort, not close: what a device does not take would hold the connection open."""
        wire, self._wire = self._wire, None
        if wire is not None and wire.transport is not None:
            wire.transport.abort()


def _too_late(waiting: asyncio.Future[bytes | None]) -> None:
    if not waiting.done():
        waiting.set_exception(TimeoutError())
