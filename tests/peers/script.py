"""A server that does what a script says to each request: the devices that misbehave."""

from __future__ import annotations

import asyncio
import socket
import struct
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from typing import TypeAlias

from tests.peers.function_codes import record_pdu

MBAP_BYTES = 7


@dataclass(slots=True)
class Asked:
    """One request as received, and the way back. loop time in seconds."""

    transaction: int
    unit: int
    pdu: bytes
    connection: int  # 1 for the first
    at: float
    _writer: asyncio.StreamWriter

    def frame(
        self, pdu: bytes, *, transaction: int | None = None, unit: int | None = None
    ) -> bytes:
        """An answer as it should be, unless told otherwise."""
        number = self.transaction if transaction is None else transaction
        head = number.to_bytes(2, "big") + bytes(2) + (len(pdu) + 1).to_bytes(2, "big")
        return head + bytes([self.unit if unit is None else unit]) + pdu

    def send(self, data: bytes) -> None:
        self._writer.write(data)

    def answer(self, pdu: bytes) -> None:
        self.send(self.frame(pdu))

    def close(self) -> None:
        self._writer.close()

    def reset(self) -> None:
        """Closes with RST and no FIN, as after a restart."""
        sock = self._writer.get_extra_info("socket")
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        self._writer.transport.abort()

    @property
    def source(self) -> str:
        return str(self._writer.get_extra_info("peername")[0])


Act: TypeAlias = Callable[[Asked], Awaitable[None] | None]


@dataclass(slots=True)
class Script:
    """acts: one for each request in turn, whatever connection it comes by; the last one stays."""

    acts: Sequence[Act]
    port: int = 0
    connections: int = 0
    asked: list[Asked] = field(default_factory=list)
    ended: list[int] = field(default_factory=list)  # connections that the client closed
    _writers: list[asyncio.StreamWriter] = field(default_factory=list)

    def close_all(self) -> None:
        """As a device that closes what idles."""
        for writer in self._writers:
            writer.close()

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        number = self.connections
        self._writers.append(writer)
        try:
            while True:
                head = await reader.readexactly(MBAP_BYTES)
                pdu = await reader.readexactly(int.from_bytes(head[4:6], "big") - 1)
                record_pdu(pdu)
                one = Asked(
                    transaction=int.from_bytes(head[:2], "big"),
                    unit=head[6],
                    pdu=pdu,
                    connection=number,
                    at=asyncio.get_running_loop().time(),
                    _writer=writer,
                )
                self.asked.append(one)
                act = self.acts[min(len(self.asked), len(self.acts)) - 1]
                done = act(one)
                if done is not None:
                    await done
        except (asyncio.IncompleteReadError, ConnectionError):
            self.ended.append(number)
        finally:
            writer.close()


@asynccontextmanager
async def scripted(*acts: Act) -> AsyncIterator[Script]:
    """A server on a free loopback port that acts as told."""
    script = Script(acts)
    server = await asyncio.start_server(script.serve, "127.0.0.1", 0)
    script.port = server.sockets[0].getsockname()[1]
    try:
        yield script
    finally:
        server.close()
        script.close_all()
        await server.wait_closed()
