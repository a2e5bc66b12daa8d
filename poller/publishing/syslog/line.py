"""The two ways of syslog messages: datagrams of RFC 5426, and TLS of RFC 5425.

Neither acknowledges anything. What stands in for it: a datagram that nobody listens for is refused
by the receiver's computer, mostly; and over TLS both ends say goodbye, the receiver after it has
read all before ours.
"""

from __future__ import annotations

import asyncio
import fcntl
import os
import socket
import ssl
import sys
import termios
from collections.abc import Callable, Iterable
from contextlib import suppress
from typing import Any, Final, Protocol

from poller.model import limits
from poller.publishing.syslog.message import framed

CHUNK: Final = 4096


class Line(Protocol):
    """Good for one lot of messages."""

    async def ended(self) -> None:
        """Returns when the receiver ends an idle line, as it may. Raises OSError where it broke."""

    async def send(self, messages: Iterable[bytes]) -> None:
        """Returns once they are with the receiver, as far as can be told. Raises OSError."""

    def close(self) -> None: ...


class UdpLine:
    """One message a datagram, to the first address of the host.

    A refusal that comes later than it is waited for is noticed, but what it refused is lost; so is
    what the network or a busy receiver drops.
    """

    def __init__(self, sock: socket.socket) -> None:
        self._sock = sock

    @classmethod
    async def open(cls, host: str, port: int) -> UdpLine:
        loop = asyncio.get_running_loop()
        found = await loop.getaddrinfo(host, port, type=socket.SOCK_DGRAM)
        family, kind, protocol, _, address = found[0]
        sock = socket.socket(family, kind, protocol)
        try:
            sock.setblocking(False)
            sock.connect(address)  # names the peer, so that the kernel tells what it refuses
        except OSError:
            sock.close()
            raise
        return cls(sock)

    async def ended(self) -> None:
        while True:
            await self._until(asyncio.get_running_loop().add_reader)
            self._complain()
            with suppress(BlockingIOError):
                self._sock.recv(CHUNK)  # nobody has reason to answer

    async def send(self, messages: Iterable[bytes]) -> None:
        for number, message in enumerate(messages, start=1):
            while not self._sent(message):
                await self._until(asyncio.get_running_loop().add_writer)
            if number % limits.SYSLOG_UDP_BURST == 0:
                await asyncio.sleep(limits.SYSLOG_UDP_REST_S)
        await asyncio.sleep(limits.SYSLOG_HEED_S)
        self._complain()

    def close(self) -> None:
        self._sock.close()

    def _sent(self, message: bytes) -> bool:
        """Raises what became of a datagram before; this one is not sent then."""
        try:
            self._sock.send(message)
        except BlockingIOError:
            return False
        return True

    def _complain(self) -> None:
        reason = self._sock.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
        if reason:
            raise OSError(reason, os.strerror(reason))

    async def _until(self, add: Callable[..., Any]) -> None:
        """add: the loop's add_reader or add_writer."""
        loop = asyncio.get_running_loop()
        ready = asyncio.Event()
        add(self._sock, ready.set)
        try:
            await ready.wait()
        finally:
            loop.remove_reader(self._sock)
            loop.remove_writer(self._sock)


class TlsLine:
    """A connection for one lot of messages, that ends with goodbyes: the receiver's comes after it
    has read ours (RFC 5425, 4.4). What it does with what it has read, it never says.

    TLS is done here and not by the loop, whose goodbyes differ from version to version.
    """

    def __init__(
        self,
        reader: asyncio.StreamReader,
        writer: asyncio.StreamWriter,
        context: ssl.SSLContext,
        host: str,
    ) -> None:
        self._reader, self._writer = reader, writer
        self._in, self._out = ssl.MemoryBIO(), ssl.MemoryBIO()
        self._tls = context.wrap_bio(self._in, self._out, server_hostname=host)
        self._over = False

    @classmethod
    async def open(cls, host: str, port: int, context: ssl.SSLContext) -> TlsLine:
        reader, writer = await asyncio.open_connection(host, port, limit=CHUNK)
        line = cls(reader, writer, context, host)
        try:
            await line._greet()
        except BaseException:
            line.close()
            raise
        return line

    async def _greet(self) -> None:
        while True:
            try:
                self._tls.do_handshake()
            except ssl.SSLWantReadError:
                await self._flush()
                await self._hear()
            else:
                break
        await self._flush()
        if self._tls.version() == "TLSv1.3":
            # there the receiver looks at our certificate last, and what it thinks of it would be
            # lost in what we send; it speaks in either case, mostly
            with suppress(TimeoutError):
                async with asyncio.timeout(limits.SYSLOG_HEED_S):
                    if not await self._goes_on():
                        raise ConnectionError("it ended the connection at once")

    async def ended(self) -> None:
        while await self._goes_on():
            pass

    async def _goes_on(self) -> bool:
        """Takes in what it says next, as it may for the connection's own sake; False: goodbye."""
        if not await self._hear():
            return False
        try:
            said = self._tls.read(1)
        except ssl.SSLWantReadError:
            return True
        if said:
            raise ConnectionError("it speaks, where a receiver of syslog only listens")
        return False

    async def send(self, messages: Iterable[bytes]) -> None:
        for message in messages:
            self._tls.write(framed(message))
            await self._flush()
        await self._goodbye()

    async def _goodbye(self) -> None:
        self._over = True
        with suppress(ssl.SSLWantReadError):
            self._tls.unwrap()
        await self._flush()
        self._still_there()
        self._writer.write_eof()
        while await self._hear():
            with suppress(ssl.SSLWantReadError):
                self._tls.unwrap()
        # it may have gone before it got all this; then its computer has not acknowledged it
        if self._unacknowledged() > 1:  # the end of the connection itself counts as one
            raise ConnectionError("it ended the connection before it got everything")

    def close(self) -> None:
        """At once. With a goodbye where none was said, since RFC 5425, 4.4 asks for it."""
        if not self._over:
            self._over = True
            with suppress(OSError):
                self._tls.unwrap()
            if not self._writer.is_closing():
                self._writer.write(self._out.read())
        if not self._writer.is_closing() and self._writer.transport.get_write_buffer_size():
            self._writer.transport.abort()  # nobody reads it
        else:
            self._writer.close()

    async def _flush(self) -> None:
        self._still_there()
        self._writer.write(self._out.read())
        await self._writer.drain()

    async def _hear(self) -> bool:
        octets = await self._reader.read(CHUNK)
        if octets:
            self._in.write(octets)
        else:
            self._in.write_eof()
        return bool(octets)

    def _still_there(self) -> None:
        """A connection that broke fails in a way of its own in each kind of loop."""
        if self._writer.is_closing():
            raise ConnectionResetError("the connection broke")

    def _unacknowledged(self) -> int:
        """Octets that the other end's TCP has not acknowledged: tcp(7), SIOCOUTQ."""
        self._still_there()
        sock = self._writer.get_extra_info("socket")
        found = fcntl.ioctl(sock.fileno(), termios.TIOCOUTQ, bytes(4))
        return int.from_bytes(found, sys.byteorder)
