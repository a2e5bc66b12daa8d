"""uvicorn in the poller's own loop, which it must never hold up, stop, or run out of descriptors.

A port that is taken, or a certificate that can't be read, is told and tried again.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
import ssl
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final

import structlog
import uvicorn

from poller.certificates import NONE_ASKED, Renewable
from poller.model import limits
from poller.model.backoff import Backoff, Chance
from poller.model.listening import not_opened
from poller.site.settings import Page as Settings
from poller.web.app import ready_app
from poller.web.connection import Connection
from poller.web.guard import App
from poller.web.page import Page

log = structlog.get_logger()
BACKLOG: Final = 64  # connections that wait while so many are open already
RETRY_FIRST_S: Final = 1.0
RETRY_CAP_S: Final = 30.0
LOOK_AGAIN_S: Final = 1.0
NOBODY: Final = (
    "nobody is known who may see the page, so it is not served on {host}; "
    "add somebody: bayroll user add"
)


class _Door:
    """What uvicorn asks of a listening server."""

    def __init__(self, accepting: asyncio.Task[None], listening: list[socket.socket]) -> None:
        self._accepting = accepting
        self._listening = listening

    def close(self) -> None:
        self._accepting.cancel()
        for sock in self._listening:
            sock.close()

    async def wait_closed(self) -> None:
        await asyncio.wait([self._accepting])


class _Server(uvicorn.Server):
    """uvicorn's, but it takes no signal, ends no process, and accepts connections in our way."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield  # SIGINT and SIGTERM are the service's

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        assert sockets is not None
        await self.lifespan.startup()
        accepting = asyncio.create_task(self._accept_all(sockets), name="page accepts")
        accepting.add_done_callback(self._accepts_no_more)
        self.servers = [_Door(accepting, sockets)]  # type: ignore[list-item]
        self.started = True

    def _accepts_no_more(self, accepting: asyncio.Task[None]) -> None:
        """Then it ends, and is opened anew."""
        if not accepting.cancelled() and accepting.exception() is not None:
            log.error("page_accepts_no_more", reason=str(accepting.exception()))
            self.should_exit = True

    async def _accept_all(self, sockets: list[socket.socket]) -> None:
        """At most so many at once, those that still shake hands too; others wait in the kernel."""
        room = asyncio.Semaphore(limits.PAGE_CONNECTIONS_MAX)
        async with asyncio.TaskGroup() as group:
            for sock in sockets:
                group.create_task(self._accept(sock, room, group))

    async def _accept(
        self, listening: socket.socket, room: asyncio.Semaphore, group: asyncio.TaskGroup
    ) -> None:
        loop = asyncio.get_running_loop()
        while True:
            await room.acquire()
            try:
                peer, _ = await loop.sock_accept(listening)
            except OSError as reason:  # it was gone already, or no descriptor is left
                room.release()
                log.warning("page_not_accepted", reason=str(reason))
                await asyncio.sleep(LOOK_AGAIN_S)
                continue
            group.create_task(self._attend(peer, room))

    async def _attend(self, peer: socket.socket, room: asyncio.Semaphore) -> None:
        loop = asyncio.get_running_loop()
        secure = self.config.ssl
        connection = Connection(
            config=self.config,
            server_state=self.server_state,
            app_state=self.lifespan.state,
            _loop=loop,
        )
        stands = False
        try:
            peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            # what it returns is not looked at: with uvloop and TLS it is no connection of ours
            await loop.connect_accepted_socket(
                lambda: connection,
                peer,
                ssl=secure,
                ssl_handshake_timeout=limits.PAGE_HEAD_S if secure else None,
            )
            stands = True
            await asyncio.shield(connection.lost)
        except (OSError, ssl.SSLError):
            peer.close()
        except Exception:  # a fault of ours over one must not end the page for all the others
            log.exception("page_connection_failed")
        finally:
            if not stands:
                peer.close()
            room.release()


class Served:
    """folder: where relative names of files begin. run() serves until it is cancelled."""

    def __init__(
        self,
        page: Page,
        settings: Settings,
        folder: Path,
        random: Chance,
        make: Callable[[Page], App] = ready_app,
    ) -> None:
        self._page = page
        self._make = make
        self._settings = settings
        self._folder = folder
        self._backoff = Backoff(random, first_s=RETRY_FIRST_S, cap_s=RETRY_CAP_S)
        self.listens = False
        self.says = "not begun yet"

    @property
    def address(self) -> str:
        return address(self._settings)

    async def run(self) -> None:
        while True:
            if not self.permitted():
                self._tell(NOBODY.format(host=self._settings.host))
                await asyncio.sleep(LOOK_AGAIN_S)
                continue
            try:
                certified = self._certified()
                config = await asyncio.to_thread(self._config, certified)
            except (OSError, ssl.SSLError) as reason:
                self._tell(f"{self.address} can't be served: {reason}")
                await asyncio.sleep(self._backoff.next_s())
                continue
            try:
                sockets = await self._listen()
            except OSError as reason:
                self._tell(not_opened(self.address, reason))
                await asyncio.sleep(self._backoff.next_s())
                continue
            self._backoff.reset()
            await self._serve(_Server(config), sockets, certified)

    def permitted(self) -> bool:
        """Without users it only tells, and to nobody but this machine."""
        return self._settings.on_loopback or bool(self._page.behind.state().users)

    async def _listen(self) -> list[socket.socket]:
        loop = asyncio.get_running_loop()
        found = await loop.getaddrinfo(
            self._settings.host,
            self._settings.port,
            type=socket.SOCK_STREAM,
            flags=socket.AI_PASSIVE,
        )
        with contextlib.ExitStack() as held:
            sockets = []
            for family, kind, protocol, _, place in dict.fromkeys(found):
                sock = held.enter_context(socket.socket(family, kind, protocol))
                sock.setblocking(False)
                sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
                if family == socket.AF_INET6:
                    sock.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
                sock.bind(place)
                sock.listen(BACKLOG)
                sockets.append(sock)
            held.pop_all()
            return sockets

    def _certified(self) -> Renewable | None:
        """Raises OSError."""
        tls = self._settings.tls
        if tls is None:
            return None
        pair = self._folder / tls.certificate, self._folder / tls.key

        def made() -> ssl.SSLContext:
            context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
            context.minimum_version = ssl.TLSVersion.TLSv1_2
            context.load_cert_chain(*pair, password=NONE_ASKED)
            return context

        return Renewable(made, pair, of="page")

    def _config(self, certified: Renewable | None) -> uvicorn.Config:
        config = uvicorn.Config(
            self._make(self._page),
            http=Connection,
            ws="none",
            lifespan="off",
            log_config=None,
            log_level="critical",  # what matters is logged by ourselves
            access_log=False,
            proxy_headers=False,
            server_header=False,
            h11_max_incomplete_event_size=limits.PAGE_HEAD_OCTETS,
            timeout_graceful_shutdown=1,
        )
        config.load()
        config.ssl = None if certified is None else certified.context
        return config

    async def _serve(
        self, server: _Server, sockets: list[socket.socket], certified: Renewable | None
    ) -> None:
        """Until it is cancelled, or nobody is known any more to whom it may be shown."""
        self._page.feed.open()
        serving = asyncio.create_task(server.serve(sockets), name="page")
        self.listens, self.says = True, self.address
        log.info("page_served", address=self.address)
        try:
            while self.permitted() and not serving.done():
                await asyncio.wait([serving], timeout=LOOK_AGAIN_S)
                if certified is not None:
                    certified.look()
                    self.says = self.address + certified.says
        finally:
            self.listens = False
            self._page.feed.close()
            server.should_exit = True
            await asyncio.wait([serving], timeout=limits.PAGE_GOODBYE_S)
            for connection in list(server.server_state.connections):
                connection.transport.abort()
            serving.cancel()
            await asyncio.wait([serving])

    def _tell(self, says: str) -> None:
        if says != self.says:
            log.error("page_not_served", reason=says)
        self.listens, self.says = False, says


def address(settings: Settings) -> str:
    """As people type it."""
    scheme = "http" if settings.tls is None else "https"
    host = f"[{settings.host}]" if ":" in settings.host else settings.host
    return f"{scheme}://{host}:{settings.port}/"
