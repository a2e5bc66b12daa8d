"""The server in its loop, on real sockets: it waits for its port, bounds who comes, and takes no
signal of the service's."""

from __future__ import annotations

import asyncio
import contextlib
import random
import signal
import socket
import ssl
from collections.abc import AsyncIterator, Callable, Coroutine
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest
import uvloop

from poller.edges import commands
from poller.model import limits
from poller.site.settings import Page as Settings
from poller.site.settings import PageTls
from poller.web.connection import Connection
from poller.web.server import Served, _Server, address
from tests.publishing.brokers import HOST, free_port
from tests.publishing.certificates import OPENSSL, SERVER, make_all, make_certificate
from tests.web.house import House, app_of, sign_in

ASK = b"GET /health HTTP/1.1\r\nHost: localhost\r\n\r\n"
WITHIN_S = 30.0


RUNS = pytest.mark.parametrize("run", [asyncio.run, uvloop.run])  # of the tests; of the service


async def until(true: Callable[[], bool]) -> None:
    async with asyncio.timeout(WITHIN_S):
        while not true():  # noqa: ASYNC110 - another task of this loop, on real sockets
            await asyncio.sleep(0.01)


@asynccontextmanager
async def serving(
    house: House, settings: Settings, *, listens: bool = True
) -> AsyncIterator[Served]:
    house.settings = settings
    served = Served(house.page, settings, house.folder, random.Random(1), app_of)
    task = asyncio.create_task(served.run())
    try:
        if listens:
            await until(lambda: served.listens)
        yield served
    finally:
        task.cancel()
        async with asyncio.timeout(WITHIN_S):
            await asyncio.wait([task])


async def ask(port: int, octets: bytes = ASK, secure: ssl.SSLContext | None = None) -> bytes:
    """What comes until the other side is silent for good or has answered."""
    reader, writer = await asyncio.open_connection(HOST, port, ssl=secure)
    try:
        writer.write(octets)
        async with asyncio.timeout(WITHIN_S):
            return await reader.read(4_096)
    finally:
        writer.close()


async def test_it_answers_on_its_port_and_ends_with_its_task(house: House) -> None:
    port = free_port()
    async with serving(house, Settings(port=port)) as served:
        assert (await ask(port)).startswith(b"HTTP/1.1 200")
        assert (served.listens, served.says) == (True, f"http://127.0.0.1:{port}/")
    with pytest.raises(ConnectionRefusedError):
        await ask(port)


async def test_a_port_that_is_taken_is_told_and_tried_again(house: House) -> None:
    port = free_port()
    with socket.socket() as other:
        other.bind((HOST, port))
        other.listen()
        async with serving(house, Settings(port=port), listens=False) as served:
            await until(lambda: "can't be opened" in served.says)
            assert not served.listens
            other.close()
            await until(lambda: served.listens)


async def test_a_certificate_that_is_not_there_is_told(house: House) -> None:
    tls = PageTls(certificate="none.pem", key="none.key")
    async with serving(house, Settings(port=free_port(), tls=tls), listens=False) as served:
        await until(lambda: "can't be served" in served.says)


async def test_signals_stay_the_services(house: House) -> None:
    before = [signal.getsignal(one) for one in (signal.SIGINT, signal.SIGTERM)]
    async with serving(house, Settings(port=free_port())):
        assert [signal.getsignal(one) for one in (signal.SIGINT, signal.SIGTERM)] == before


async def test_on_a_network_it_waits_for_somebody_who_may_see_it(
    house: House, tmp_path: Path
) -> None:
    if OPENSSL is None:
        pytest.skip("OpenSSL's command is not installed on this machine")
    make_all(tmp_path)
    house.folder, port = tmp_path, free_port()
    settings = Settings(
        host="0.0.0.0", port=port, tls=PageTls(certificate="server.pem", key="server.key")
    )
    trusting = ssl.create_default_context(cafile=str(tmp_path / "ca.pem"))
    async with serving(house, settings, listens=False) as served:
        await until(lambda: "nobody is known" in served.says)
        house.add("ute", "viewer")
        await until(lambda: served.listens)
        assert (await ask(port, secure=trusting)).startswith(b"HTTP/1.1 200")
        house.decide(commands.command("user_remove", {"user": "ute"}))
        await until(lambda: not served.listens)


async def test_over_tls_the_cookie_goes_out_over_tls_alone(house: House, tmp_path: Path) -> None:
    """On a real socket, with the certificate of a file."""
    if OPENSSL is None:
        pytest.skip("OpenSSL's command is not installed on this machine")
    make_all(tmp_path)
    house.folder = tmp_path
    house.add("ute", "viewer")
    tls = PageTls(certificate="server.pem", key="server.key")
    trusting = ssl.create_default_context(cafile=str(tmp_path / "ca.pem"))
    async with serving(house, Settings(port=free_port(), tls=tls)) as served:
        async with httpx.AsyncClient(base_url=served.address, verify=trusting) as client:
            cookie = (await sign_in(client, "ute")).headers["set-cookie"]
            assert cookie.startswith("__Host-bayroll-")
            assert {"Secure", "HttpOnly", "SameSite=strict"} <= set(cookie.split("; "))
            assert (await client.get("/relays")).status_code == 200


@RUNS
def test_over_tls_one_asks_after_the_other(
    house: House, tmp_path: Path, run: Callable[[Coroutine[Any, Any, None]], None]
) -> None:
    """And who shakes no hands, or hangs up in the middle, ends nothing but that."""
    if OPENSSL is None:
        pytest.skip("OpenSSL's command is not installed on this machine")
    make_all(tmp_path)
    house.folder, port = tmp_path, free_port()
    tls = PageTls(certificate="server.pem", key="server.key")
    trusting = ssl.create_default_context(cafile=str(tmp_path / "ca.pem"))

    async def asked() -> None:
        async with serving(house, Settings(port=port, tls=tls)):
            for said in (b"", b"GET / HTTP/1.1\r\n\r\n", b"\x16\x03\x01"):
                with socket.create_connection((HOST, port)) as other:
                    other.sendall(said)
                assert (await ask(port, secure=trusting)).startswith(b"HTTP/1.1 200")

    run(asked())


async def test_a_fault_of_ours_over_one_connection_leaves_the_others(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = Connection.connection_made

    def fails_once(self: Connection, transport: asyncio.Transport) -> None:
        monkeypatch.setattr(Connection, "connection_made", made)
        self.transport = transport  # type: ignore[assignment]
        self.lost.set_exception(ZeroDivisionError())

    async with serving(house, Settings(port=free_port())) as served:
        monkeypatch.setattr(Connection, "connection_made", fails_once)
        port = int(served.address.rsplit(":", 1)[1].rstrip("/"))
        with contextlib.suppress(OSError, TimeoutError):
            async with asyncio.timeout(0.5):
                await ask(port)
        assert (await ask(port)).startswith(b"HTTP/1.1 200")


async def test_where_nobody_is_let_in_any_more_it_opens_anew(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def fails(*given: object) -> None:
        monkeypatch.undo()
        raise ZeroDivisionError

    async with serving(house, Settings(port=(port := free_port()))):
        monkeypatch.setattr(_Server, "_attend", fails)
        with contextlib.suppress(OSError):
            await ask(port)
        async with asyncio.timeout(WITHIN_S):
            while True:
                with contextlib.suppress(OSError):
                    if (await ask(port)).startswith(b"HTTP/1.1 200"):
                        break
                await asyncio.sleep(0.05)


async def test_a_renewed_certificate_is_taken(house: House, tmp_path: Path) -> None:
    if OPENSSL is None:
        pytest.skip("OpenSSL's command is not installed on this machine")
    make_all(tmp_path)
    house.folder, port = tmp_path, free_port()
    tls = PageTls(certificate="server.pem", key="server.key")
    trusting = ssl.create_default_context(cafile=str(tmp_path / "ca.pem"))

    async def serial_number() -> str:
        _, writer = await asyncio.open_connection(HOST, port, ssl=trusting)
        shown: str = writer.get_extra_info("peercert")["serialNumber"]
        writer.transport.abort()
        return shown

    async with serving(house, Settings(port=port, tls=tls)):
        before = await serial_number()
        make_certificate(tmp_path, "server", "ca", SERVER)
        async with asyncio.timeout(WITHIN_S):
            while await serial_number() == before:  # noqa: ASYNC110 - as in until
                await asyncio.sleep(0.1)


# Who is slow. The times are cut short; what is held up is a socket, and not a clock of ours.


async def ended(port: int, octets: bytes) -> bool:
    """Whether the other side ends a connection on which no more than this comes."""
    reader, writer = await asyncio.open_connection(HOST, port)
    try:
        writer.write(octets)
        async with asyncio.timeout(WITHIN_S):
            with contextlib.suppress(ConnectionError):
                while await reader.read(4_096):
                    pass
        return True
    finally:
        writer.close()


@pytest.mark.parametrize("octets", [b"", b"GET / HTTP/1.1\r\nHost: l", ASK + b"GET /"], ids=str)
async def test_a_head_that_never_ends_ends_the_connection(
    house: House, monkeypatch: pytest.MonkeyPatch, octets: bytes
) -> None:
    monkeypatch.setattr(limits, "PAGE_HEAD_S", 0.2)
    port = free_port()
    async with serving(house, Settings(port=port)):
        assert await ended(port, octets)


async def test_a_head_that_is_too_long_is_refused(house: House) -> None:
    port = free_port()
    async with serving(house, Settings(port=port)):
        long = b"GET / HTTP/1.1\r\nX: " + b"x" * (limits.PAGE_HEAD_OCTETS + 1)
        assert (await ask(port, long)).startswith(b"HTTP/1.1 400")


async def test_more_connections_than_can_be_wait_and_harm_nobody(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(limits, "PAGE_CONNECTIONS_MAX", 2)
    port = free_port()
    async with serving(house, Settings(port=port)):
        held = [await asyncio.open_connection(HOST, port) for _ in range(2)]
        waits = asyncio.create_task(ask(port))
        done, _ = await asyncio.wait([waits], timeout=0.3)
        assert not done
        held[0][1].close()
        assert (await waits).startswith(b"HTTP/1.1 200")
        held[1][1].close()


async def test_a_stream_does_not_hold_up_the_end(house: House) -> None:
    port = free_port()
    listen = b"GET /api/v1/changes HTTP/1.1\r\nHost: localhost\r\n\r\n"
    loop = asyncio.get_running_loop()
    async with serving(house, Settings(port=port)):
        reader, writer = await asyncio.open_connection(HOST, port)
        writer.write(listen)
        assert b"hello" in await reader.readuntil(b"hello")
        begun = loop.time()
    writer.close()
    assert loop.time() - begun < 2 * limits.PAGE_GOODBYE_S + 5  # a loaded machine


@pytest.mark.parametrize(
    ("settings", "says"),
    [
        (Settings(), "http://127.0.0.1:8420/"),
        (Settings(host="::1", port=80), "http://[::1]:80/"),
        (Settings(tls=PageTls(certificate="c", key="k")), "https://127.0.0.1:8420/"),
    ],
)
def test_the_address_is_as_people_type_it(settings: Settings, says: str) -> None:
    assert address(settings) == says
