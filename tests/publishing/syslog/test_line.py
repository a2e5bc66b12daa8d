"""The lines under syslog on both loops that the program runs in, against sockets of the standard
library: how a receiver ends a connection, and what is made of it."""

from __future__ import annotations

import asyncio
import socket
import ssl
import threading
from collections.abc import Callable, Coroutine, Iterator
from contextlib import suppress
from pathlib import Path
from struct import pack
from typing import Any, Final

import pytest
import uvloop

from poller.publishing.syslog.line import TlsLine, UdpLine
from poller.publishing.tls import tls_context
from poller.site.settings import Tls
from tests.publishing.brokers import HOST
from tests.publishing.syslog.rfc5424 import frames

# more than a receiver's smallest buffer holds, less than our own
MESSAGES: Final = [b"one", b"two", *(b"\x00\n" * 500 for _ in range(30))]
Run = Callable[[Coroutine[Any, Any, Any]], Any]
ENDS_S: Final = 5.0


@pytest.fixture(params=[asyncio.new_event_loop, uvloop.new_event_loop], ids=["asyncio", "uvloop"])
def run(request: pytest.FixtureRequest) -> Iterator[Run]:
    with asyncio.Runner(loop_factory=request.param) as runner:
        yield runner.run


class Receiver:
    """A TLS server on a thread, for one connection; `act` is what it does after the handshake.

    heard: what it read. ending: how the connection ended for it.
    """

    def __init__(self, keys: Path, act: Callable[[Receiver, ssl.SSLSocket], None]) -> None:
        self._act = act
        self._context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        self._context.load_cert_chain(keys / "server.pem", keys / "server.key")
        # else an end without a goodbye looks like one
        self._context.options &= ~ssl.OP_IGNORE_UNEXPECTED_EOF
        self.client = tls_context(Tls(ca="ca.pem"), keys)
        self.heard = b""
        self.ending = ""
        self.released = threading.Event()

    def __enter__(self) -> Receiver:
        self._listening = socket.create_server((HOST, 0))
        self._listening.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4_096)
        self.port = self._listening.getsockname()[1]
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()
        return self

    def __exit__(self, *reason: object) -> None:
        self.released.set()
        self._thread.join(ENDS_S)
        self._listening.close()

    def _serve(self) -> None:
        sock, _ = self._listening.accept()
        with suppress(OSError):
            sock.settimeout(ENDS_S)
            tls = self._context.wrap_socket(sock, server_side=True, suppress_ragged_eofs=False)
            with tls:
                self._act(self, tls)

    def read_all(self, tls: ssl.SSLSocket) -> None:
        try:
            while octets := tls.recv(4096):
                self.heard += octets
            self.ending = "goodbye"
        except ssl.SSLEOFError:
            self.ending = "no goodbye"
        except OSError:
            self.ending = "broke"

    async def line(self) -> TlsLine:
        async with asyncio.timeout(ENDS_S):
            return await TlsLine.open(HOST, self.port, self.client)

    async def told(self, *, after_s: float = 0) -> None:
        """Sends it all messages. Raises what that raises."""
        line = await self.line()
        try:
            await asyncio.sleep(after_s)
            async with asyncio.timeout(ENDS_S):
                await line.send(MESSAGES)
        finally:
            line.close()


def reads(receiver: Receiver, tls: ssl.SSLSocket) -> None:
    receiver.read_all(tls)
    tls.unwrap()


def reads_and_hangs_up(receiver: Receiver, tls: ssl.SSLSocket) -> None:
    """Without a goodbye of TLS, as some do all the same; TCP comes to an end in order."""
    receiver.read_all(tls)


def leaves(receiver: Receiver, tls: ssl.SSLSocket) -> None:
    """With a goodbye, before it has heard anything, but not before it has greeted."""
    receiver.released.wait(0.05)
    tls.settimeout(0)
    tls.unwrap()


def leaves_with_its_hands_full(receiver: Receiver, tls: ssl.SSLSocket) -> None:
    """After all of ours was said, most of which is still under way to it."""
    receiver.released.wait(0.3)
    tls.shutdown(socket.SHUT_WR)
    receiver.released.wait(ENDS_S)


def dies(receiver: Receiver, tls: ssl.SSLSocket) -> None:
    """After it has heard something: its computer resets the connection."""
    tls.recv(1)
    tls.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, pack("ii", 1, 0))


def speaks(receiver: Receiver, tls: ssl.SSLSocket) -> None:
    tls.send(b"220 welcome")
    receiver.released.wait(ENDS_S)


def hears_nothing(receiver: Receiver, tls: ssl.SSLSocket) -> None:
    receiver.released.wait(ENDS_S)


@pytest.mark.parametrize("act", [reads, reads_and_hangs_up])
def test_what_was_read_to_the_end_was_taken(
    run: Run, certified: Path, act: Callable[..., None]
) -> None:
    with Receiver(certified, act) as receiver:
        run(receiver.told())
    assert receiver.ending == "goodbye"
    assert frames(receiver.heard) == MESSAGES


@pytest.mark.parametrize("act", [leaves, leaves_with_its_hands_full, dies])
def test_what_was_not_read_was_not_taken(
    run: Run, certified: Path, act: Callable[..., None]
) -> None:
    """A goodbye that was said before ours is no answer to it."""
    with Receiver(certified, act) as receiver, pytest.raises(OSError, match=r".+"):
        run(receiver.told(after_s=0.1))


def test_who_never_reads_is_waited_for(run: Run, certified: Path) -> None:
    async def sent() -> None:
        line = await receiver.line()
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(0.3):
                await line.send(MESSAGES)
        line.close()

    with Receiver(certified, hears_nothing) as receiver:
        run(sent())


def test_an_idle_line_that_the_receiver_ends_is_no_fault(run: Run, certified: Path) -> None:
    async def ended() -> None:
        line = await receiver.line()
        async with asyncio.timeout(ENDS_S):
            await line.ended()
        line.close()

    with Receiver(certified, leaves) as receiver:
        run(ended())


def test_a_receiver_that_speaks_is_none(run: Run, certified: Path) -> None:
    async def heard() -> None:
        line = await receiver.line()
        try:
            async with asyncio.timeout(ENDS_S):
                await line.ended()
        finally:
            line.close()

    with Receiver(certified, speaks) as receiver:
        with pytest.raises(ConnectionError, match="it speaks"):
            run(heard())


def test_a_line_that_is_left_says_goodbye(run: Run, certified: Path) -> None:
    """RFC 5425, 4.4: a sender must, before it closes."""

    async def left() -> None:
        (await receiver.line()).close()

    with Receiver(certified, reads) as receiver:
        run(left())
    assert receiver.ending == "goodbye"


def test_a_line_whose_messages_nobody_reads_is_left_at_once(run: Run, certified: Path) -> None:
    """More than all buffers hold; what still waits is thrown away."""

    async def left() -> None:
        line = await receiver.line()
        with suppress(TimeoutError):
            async with asyncio.timeout(0.5):
                await line.send(b"x" * 8_000 for _ in range(2_000))
        line.close()
        await asyncio.sleep(0.1)
        assert line._writer.transport.is_closing()

    with Receiver(certified, hears_nothing) as receiver:
        run(left())


# UDP.


@pytest.fixture
def bound() -> Iterator[socket.socket]:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.bind((HOST, 0))
        sock.settimeout(ENDS_S)
        yield sock


def test_a_message_is_a_datagram(run: Run, bound: socket.socket) -> None:
    async def sent() -> None:
        line = await UdpLine.open(*bound.getsockname())
        await line.send(MESSAGES)
        line.close()

    run(sent())
    assert [bound.recv(4096) for _ in MESSAGES] == MESSAGES


@pytest.mark.parametrize("count", [1, 3])
def test_datagrams_that_are_refused_were_not_taken(
    run: Run, bound: socket.socket, count: int
) -> None:
    where = bound.getsockname()
    bound.close()

    async def sent() -> None:
        line = await UdpLine.open(*where)
        try:
            await line.send(MESSAGES[:count])
        finally:
            line.close()

    with pytest.raises(ConnectionRefusedError):
        run(sent())


def test_a_refusal_that_comes_late_is_told_to_who_waits(run: Run, bound: socket.socket) -> None:
    where = bound.getsockname()
    bound.close()

    async def refused() -> None:
        line = await UdpLine.open(*where)
        waiting = asyncio.ensure_future(line.ended())
        await asyncio.sleep(0.05)
        line._sock.send(b"anything")
        try:
            async with asyncio.timeout(ENDS_S):
                await waiting
        finally:
            line.close()

    with pytest.raises(ConnectionRefusedError):
        run(refused())


def test_an_answer_over_udp_is_passed_over(run: Run, bound: socket.socket) -> None:
    async def heard() -> None:
        line = await UdpLine.open(*bound.getsockname())
        waiting = asyncio.ensure_future(line.ended())
        bound.sendto(b"hello", line._sock.getsockname())
        await asyncio.sleep(0.1)
        assert not waiting.done()
        waiting.cancel()
        await asyncio.wait((waiting,))
        line.close()

    run(heard())
