"""One host:port: the connection to it, one request at a time, each with its deadline and its rest.

Strict: an answer counts only under its own transaction id (and unit id, behind a gateway); anything
else is discarded, and a link that has gone wrong is closed, so that a late reply is never taken for
the next one. Source of the rules: MODBUS Messaging on TCP/IP Implementation Guide V1.0b, 4.2, 4.4.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from functools import partial
from typing import Any, Final, TypeAlias

from poller.edges.clock import SOON_S
from poller.edges.deadlines import Deadlines
from poller.edges.wire import Done, End, Wire
from poller.reading.exchange import Garbled, NoReply, Outcome, match
from poller.reading.frames import BadHeader, Request

Connect: TypeAlias = Callable[..., Awaitable[tuple[Any, Any]]]
"""As loop.create_connection; a trial has a network of its own."""
TRANSACTIONS: Final = 65_535


class Link:
    """ask() connects when needed. gateway: several units answer here, told apart by unit id.

    rest_ms: between the end of one exchange and the start of the next. source: the local address.
    """

    __slots__ = (
        "_connect",
        "_deadlines",
        "_ended",
        "_gateway",
        "_lost",
        "_monotonic",
        "_one_at_a_time",
        "_place",
        "_rest_s",
        "_source",
        "_told_to_close",
        "_transaction",
        "_wire",
    )

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
        deadlines: Deadlines | None = None,
    ) -> None:
        """deadlines: those of all links, where there are many."""
        self._connect = connect
        self._place = (host, port)
        self._source = source
        self._gateway = gateway
        self._rest_s = rest_ms / 1000
        self._monotonic = monotonic
        self._deadlines = deadlines or Deadlines()
        self._wire: Wire | None = None
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
        ended = self._ended if self._wire is None else self._wire.ended
        while (left_s := ended + self._rest_s - self._monotonic()) > 0:  # noqa: ASYNC110
            await asyncio.sleep(max(left_s, SOON_S))

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
        waiting: asyncio.Future[End] = asyncio.get_running_loop().create_future()
        if not self.begin(unit, request, timeout_s, self._monotonic(), partial(_answer, waiting)):
            return self.outcome(request, ConnectionResetError(wire.lost))  # as soon as it stood
        return self.outcome(request, await waiting)

    def begin(self, unit: int, request: Request, timeout_s: float, now: float, done: Done) -> bool:
        """One request on the connection as it stands; done is called once it has ended, and
        outcome() says what that means. False: there is none, or it rests; then nothing is sent.
        now: monotonic seconds."""
        wire = self._wire
        if wire is None or wire.lost is not None or wire.ended + self._rest_s > now:
            return False
        self._transaction = self._transaction % TRANSACTIONS + 1
        wire.ask(self._transaction, unit, request.pdu, timeout_s, now, done)
        return True

    def outcome(self, request: Request, end: End) -> Outcome:
        """Closes what can't be trusted any more."""
        if isinstance(end, bytes):
            outcome = match(request, end)
            if isinstance(outcome, Garbled) and not self._gateway:
                self._drop()
            return outcome
        if isinstance(end, TimeoutError):
            if not self._gateway:
                self._drop()
            return NoReply(reason=str(end))
        self._drop()
        if isinstance(end, BadHeader):
            return Garbled(reason=str(end))
        self._lost = True
        return NoReply(reason="closed" if self._told_to_close else str(end))

    async def _open(self) -> Wire:
        self._drop()
        local = {} if self._source is None else {"local_addr": (self._source, 0)}
        host, port = self._place
        anew = partial(
            Wire,
            self._monotonic,
            self._deadlines,
            any_unit=not self._gateway,
            ended=self._ended,
        )
        _, wire = await self._connect(anew, host, port, **local)
        assert isinstance(wire, Wire)
        self._wire = wire
        return wire

    def _drop(self) -> None:
        wire, self._wire = self._wire, None
        if wire is not None:
            wire.abort()
            self._ended = wire.ended


def _answer(waiting: asyncio.Future[End], end: End, at: float) -> None:
    """Whoever waits may have given up."""
    if not waiting.done():
        waiting.set_result(end)
