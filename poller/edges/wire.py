"""One connection as it stands: an exchange at a time, and the answer only under its own number.

Nothing here waits: who asks is called back, so that a read costs no task. Source of the rules:
MODBUS Messaging on TCP/IP Implementation Guide V1.0b, 4.2, 4.4.
"""

from __future__ import annotations

import asyncio
import math
import socket
from collections.abc import Callable, Sequence
from contextlib import suppress
from functools import partial
from typing import Final, TypeAlias, cast

from poller.edges.deadlines import Deadlines
from poller.model import limits
from poller.reading.frames import BadHeader, Frame, FrameReader, adu, whole

CLOSED: Final = "the device closed the connection"
End: TypeAlias = bytes | Exception
"""How an exchange ended: the PDU of the answer; TimeoutError; ConnectionResetError; BadHeader."""
Done: TypeAlias = Callable[[End, float], None]
"""Called once an exchange has ended: how, and at what monotonic second."""


class Wire(asyncio.Protocol):
    """lost: why it is of no use any more; None while it is. ended: monotonic seconds at which the
    last exchange did, here or on the connection before. any_unit: whatever unit answers."""

    __slots__ = (
        "_any_unit",
        "_asked",
        "_deadlines",
        "_done",
        "_looks_at",
        "_monotonic",
        "_reader",
        "_strays",
        "_timeout_s",
        "_transaction",
        "_unit",
        "ended",
        "lost",
        "transport",
    )

    def __init__(
        self,
        monotonic: Callable[[], float],
        deadlines: Deadlines,
        *,
        any_unit: bool,
        ended: float,
    ) -> None:
        self.lost: str | None = None
        self.ended = ended
        self._any_unit = any_unit
        self._monotonic = monotonic
        self.transport: asyncio.Transport  # from connection_made on
        self._done: Done | None = None  # who is called back; None: nothing is under way
        self._transaction = 0
        self._unit = 0
        self._strays = 0
        self._reader: FrameReader | None = None  # holds what came of a frame so far
        self._asked = self._timeout_s = 0.0
        self._deadlines = deadlines
        self._looks_at = math.inf  # who looks before needs no other look

    def ask(
        self, transaction: int, unit: int, pdu: bytes, timeout_s: float, now: float, done: Done
    ) -> None:
        """done is called once, and never before this returns. now: monotonic seconds."""
        assert self._done is None, "one at a time"
        self.transport.write(adu(transaction, unit, pdu))
        self._transaction, self._unit, self._strays = transaction, unit, 0
        self._asked, self._timeout_s, self._done = now, timeout_s, done
        if self._looks_at > now + timeout_s:
            self._look_in(timeout_s, now)

    def abort(self) -> None:
        """Ends it, and an exchange under way with it, at once: what a device does not take would
        hold open a connection that is only closed."""
        self.transport.abort()
        self._end(ConnectionResetError("closed"))

    # As asyncio.Protocol.

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = cast(asyncio.Transport, transport)  # uvloop's is none by inheritance
        sock = transport.get_extra_info("socket")
        if sock is not None:
            with suppress(OSError):  # reset already; connection_lost tells in a moment
                sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                sock.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)

    def data_received(self, data: bytes) -> None:
        frame = whole(data) if self._reader is None else None
        frames, bad = self._pieced(data) if frame is None else ((frame,), None)
        for transaction, unit, pdu in frames:
            fits = self._any_unit or unit == self._unit
            done = self._done
            if transaction == self._transaction and fits and done is not None:
                # as _end, without its call: nearly every exchange ends here
                self._done = None
                self.ended = at = self._monotonic()
                done(pdu, at)
            else:
                self._stray()
        if bad is not None:
            self._break(bad)

    def eof_received(self) -> None:
        self.lost = CLOSED  # at once, so that the next request does not go into a dead connection

    def connection_lost(self, reason: Exception | None) -> None:
        self.lost = CLOSED if reason is None else str(reason)
        self._end(ConnectionResetError(self.lost))

    def _pieced(self, data: bytes) -> tuple[Sequence[Frame], BadHeader | None]:
        """Data that is not one frame, or comes behind a piece of one."""
        reader = self._reader or FrameReader()
        self._reader = reader
        try:
            frames = reader.feed(data)
        except BadHeader as bad:
            return bad.frames, bad
        if reader.idle:
            self._reader = None
        return frames, None

    def _stray(self) -> None:
        """A frame that nobody waits for."""
        self._strays += 1
        if self._strays > limits.STRAY_FRAMES_MAX:
            most = limits.STRAY_FRAMES_MAX
            self._break(BadHeader(f"more than {most} frames that nobody asked for"))

    def _break(self, why: BadHeader) -> None:
        self.lost = str(why)
        self._end(why)
        self.abort()

    def _end(self, end: End) -> None:
        done, self._done = self._done, None
        if done is not None:
            self.ended = self._monotonic()
            done(end, self.ended)

    # The deadline: one look for many exchanges, since nearly all are in time.

    def _look_in(self, delay_s: float, now: float) -> None:
        self._looks_at = at = now + delay_s
        self._deadlines.look_in(delay_s, partial(self._look, at))

    def _look(self, at: float) -> None:
        if at != self._looks_at:
            return  # somebody looked before, and sees to it that somebody looks again
        self._looks_at = math.inf
        if self._done is None:
            return
        now = self._monotonic()
        left_s = self._asked + self._timeout_s - now
        if left_s > 0:
            self._look_in(left_s, now)
        else:
            self._end(TimeoutError(f"no reply within {self._timeout_s:g} s"))
