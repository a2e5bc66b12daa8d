"""One connection of a browser: it has so long to ask and to take, and then it ends."""

from __future__ import annotations

import asyncio
from typing import Any

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

from poller.model import limits


class Connection(H11Protocol):
    """uvicorn's own has no time limit for a head that never ends, nor for who never reads."""

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self.lost: asyncio.Future[None] = self.loop.create_future()
        self._asking: asyncio.TimerHandle | None = None
        self._taking: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._await_head()

    def connection_lost(self, exc: Exception | None) -> None:
        self._head_came()
        self._taken()
        super().connection_lost(exc)
        if not self.lost.done():
            self.lost.set_result(None)

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        if self.conn.their_state is h11.IDLE:
            self._await_head()
        else:
            self._head_came()
        answered = self.cycle is not None and self.cycle.response_complete
        if answered and self.conn.their_state is h11.SEND_BODY:
            self.transport.close()  # it goes on with what nobody wants

    def on_response_complete(self) -> None:
        super().on_response_complete()
        if self.conn.their_state is h11.IDLE:
            self._await_head()

    def pause_writing(self) -> None:
        super().pause_writing()
        self._taking = self._taking or self.loop.call_later(limits.PAGE_SEND_S, self.abort)

    def resume_writing(self) -> None:
        self._taken()
        super().resume_writing()

    def abort(self) -> None:
        self.transport.abort()

    def _await_head(self) -> None:
        """Not begun anew by each octet that comes."""
        self._asking = self._asking or self.loop.call_later(limits.PAGE_HEAD_S, self.abort)

    def _head_came(self) -> None:
        if self._asking is not None:
            self._asking.cancel()
            self._asking = None

    def _taken(self) -> None:
        if self._taking is not None:
            self._taking.cancel()
            self._taking = None
