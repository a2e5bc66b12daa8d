"""Brokers that are not ours, a subscriber that is not ours, and a wire that can be cut."""

from __future__ import annotations

import asyncio
import json
import os
import random
import shutil
import socket
import ssl
import struct
import subprocess
import time
from contextlib import AsyncExitStack, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal, Protocol

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from poller.publishing.mqtt.embedded import embedded_broker

MOSQUITTO = shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin")
HOST = "127.0.0.1"
KINDS = ("mosquitto-5", "mosquitto-3.1.1", "embedded")


class BrokerUnderTest(Protocol):
    """port stays the same over a restart. keeps: retained messages survive one."""

    port: int
    protocol: Literal["5", "3.1.1"]
    keeps: bool

    async def start(self) -> None: ...
    async def stop(self) -> None: ...


def free_port() -> int:
    """Below the ports that outgoing connections take: a client that calls again and again while its
    broker is away could else be given this very port for its own end, and the broker not get it.
    Each process of a run has a thousand of its own: none sees what another is about to take.
    """
    worker = int(os.environ.get("PYTEST_XDIST_WORKER", "gw0").removeprefix("gw")) % 10
    for port in random.sample(range(20_000 + 1_000 * worker, 21_000 + 1_000 * worker), 200):
        with socket.socket() as sock, suppress(OSError):
            sock.bind((HOST, port))
            return port
    raise AssertionError("no port is free")


class Mosquitto:
    def __init__(
        self,
        folder: Path,
        *,
        protocol: Literal["5", "3.1.1"] = "5",
        keeps: bool = True,
        settings: str = "allow_anonymous true",
    ) -> None:
        if MOSQUITTO is None:
            pytest.skip("mosquitto is not installed")
        self.port = free_port()
        self.protocol = protocol
        self.keeps = keeps
        self._folder = folder
        self._process: subprocess.Popen[bytes] | None = None
        # without max_queued_messages 0 a late subscriber gets only the first thousand retained
        lines = [
            f"listener {self.port} {HOST}",
            "max_queued_messages 0",
            f"persistence {str(keeps).lower()}",
            f"persistence_location {folder}/",
            "log_dest none",
            settings,
        ]
        if os.geteuid() == 0:
            lines.append("user root")  # else it can't read what the test wrote
        (folder / "mosquitto.conf").write_text("\n".join(lines) + "\n")

    async def start(self) -> None:
        assert MOSQUITTO is not None
        self._process = subprocess.Popen(  # noqa: ASYNC220 - returns at once
            [MOSQUITTO, "-c", str(self._folder / "mosquitto.conf")],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        async with asyncio.timeout(10):
            while True:
                assert self._process.poll() is None, "mosquitto did not start"
                with suppress(OSError):
                    socket.create_connection((HOST, self.port), timeout=1).close()
                    return
                await asyncio.sleep(0.02)

    async def stop(self) -> None:
        if self._process is not None:
            self._process.terminate()
            await asyncio.to_thread(self._process.wait, 10)
            self._process = None


class Embedded:
    protocol: Literal["5", "3.1.1"] = "3.1.1"
    keeps = False

    def __init__(self) -> None:
        self.port = free_port()
        self._stack = AsyncExitStack()

    async def start(self) -> None:
        _, self.port = await self._stack.enter_async_context(embedded_broker(HOST, self.port))

    async def stop(self) -> None:
        await self._stack.aclose()


def make(kind: str, folder: Path, *, keeps: bool = True) -> BrokerUnderTest:
    match kind:
        case "mosquitto-5":
            return Mosquitto(folder, protocol="5", keeps=keeps)
        case "mosquitto-3.1.1":
            return Mosquitto(folder, protocol="3.1.1", keeps=keeps)
        case _:
            return Embedded()


@dataclass(frozen=True)
class Heard:
    """at: by the monotonic clock."""

    topic: str
    payload: bytes
    retain: bool
    at: float

    @property
    def body(self) -> dict[str, Any]:
        body: dict[str, Any] = json.loads(self.payload)
        return body


@dataclass
class Listener:
    """A plain paho client with a thread of its own."""

    port: int
    filters: tuple[str, ...] = ("bayroll/v1/#",)
    heard: list[Heard] = field(default_factory=list)

    async def __aenter__(self) -> Listener:
        self.client = paho.Client(CallbackAPIVersion.VERSION2)
        self.client.on_message = self._on_message
        self.client.on_connect = self._on_connect
        self.client.on_subscribe = self._on_subscribe
        self._ready = False
        self.client.connect_async(HOST, self.port)
        self.client.loop_start()
        deadline = time.monotonic() + 10
        while not self._ready:
            assert time.monotonic() < deadline, "the listener got no subscription"
            await asyncio.sleep(0.01)
        return self

    async def __aexit__(self, *reason: object) -> None:
        self.client.disconnect()
        # its thread may wait for a broker in this very loop
        await asyncio.to_thread(self.client.loop_stop)

    def _on_connect(self, client: paho.Client, *rest: Any) -> None:
        client.subscribe([(one, 1) for one in self.filters])

    def _on_subscribe(self, *rest: Any) -> None:
        self._ready = True

    def _on_message(self, client: paho.Client, data: Any, message: paho.MQTTMessage) -> None:
        now = time.monotonic()
        self.heard.append(Heard(message.topic, message.payload, message.retain, now))

    def events(self) -> list[dict[str, Any]]:
        return [one.body for one in list(self.heard) if one.topic.endswith("/event")]

    def ids(self) -> list[str]:
        return [body["id"] for body in self.events()]

    def last(self, ending: str) -> dict[str, Any] | None:
        """The newest body of a topic with this ending; None: cleared, or never there."""
        for one in reversed(list(self.heard)):
            if one.topic.endswith(ending):
                return one.body if one.payload else None
        return None

    def count(self, ending: str) -> int:
        return sum(one.topic.endswith(ending) for one in list(self.heard))


class Wire:
    """A TCP relay between output and peer. hold: refuses; stall: nothing passes; cut: resets.

    sent: what came from the output, over all connections, as chunks. cuts: how often it was cut.
    from_host: as which address of this machine it calls; tls: over which it does.
    """

    def __init__(
        self, to_port: int, from_host: str = HOST, tls: ssl.SSLContext | None = None
    ) -> None:
        self.to_port, self.from_host, self.tls = to_port, from_host, tls
        self.port = 0
        self.held = False
        self.sent: list[bytes] = []
        self.connections = 0
        self.cuts = 0
        self._cut_in: int | None = None
        self._there, self._back = asyncio.Event(), asyncio.Event()
        self.flow()
        self._writers: set[asyncio.StreamWriter] = set()

    async def __aenter__(self) -> Wire:
        self._server = await asyncio.start_server(self._serve, HOST, 0)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(self, *reason: object) -> None:
        self._server.close()
        self.cut()

    def stall(self) -> None:
        self._there.clear()
        self.stall_back()

    def flow(self) -> None:
        self._there.set()
        self.flow_back()

    def stall_back(self) -> None:
        """Only acknowledgements are held back."""
        self._back.clear()

    def flow_back(self) -> None:
        self._back.set()

    def cut_in(self, octets: int) -> None:
        """Once so many more came from the output."""
        self._cut_in = octets

    def cut(self) -> None:
        """Both ends get a reset: no goodbye reaches either."""
        self.cuts += 1
        for writer in list(self._writers):
            _reset(writer)

    def hold(self) -> None:
        self.held = True
        self.cut()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if self.held:
            writer.transport.abort()
            return
        self.connections += 1
        try:
            far_reader, far_writer = await asyncio.open_connection(
                HOST, self.to_port, local_addr=(self.from_host, 0), ssl=self.tls
            )
        except OSError:
            writer.transport.abort()
            return
        ours = {writer, far_writer}
        self._writers |= ours
        there = asyncio.ensure_future(self._pass(reader, far_writer, self._there, self.sent))
        back = asyncio.ensure_future(self._pass(far_reader, writer, self._back, None))
        try:
            done, _ = await asyncio.wait((there, back), return_when=asyncio.FIRST_COMPLETED)
            if all(one.result() for one in done):
                await asyncio.wait((there, back))
        finally:
            for one in ours:
                one.transport.abort()
            for task in (there, back):
                task.cancel()
            await asyncio.gather(there, back, return_exceptions=True)
            self._writers -= ours

    async def _pass(
        self,
        reader: asyncio.StreamReader,
        writer: asyncio.StreamWriter,
        flowing: asyncio.Event,
        copy: list[bytes] | None,
    ) -> bool:
        """Whether it came to an orderly end, which is passed on: the other way may go on."""
        with suppress(OSError):
            while chunk := await reader.read(4096):
                await flowing.wait()
                if copy is not None:
                    copy.append(chunk)
                    if self._cut_in is not None:
                        self._cut_in -= len(chunk)
                        if self._cut_in <= 0:
                            self._cut_in = None
                            self.cut()
                            return False
                writer.write(chunk)
                await writer.drain()
            if writer.can_write_eof():
                writer.write_eof()
            return True
        return False


def _reset(writer: asyncio.StreamWriter) -> None:
    """socket(7), SO_LINGER of 0 s: closing discards what waits and sends a reset."""
    sock = writer.get_extra_info("socket")
    with suppress(OSError):
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    writer.transport.abort()
