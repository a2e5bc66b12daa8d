"""Clients of every output, each noting when it heard of the alarm of each relay."""

from __future__ import annotations

import asyncio
import json
import re
import socket
import subprocess
import sys
import threading
import time
from asyncio.subprocess import PIPE
from collections.abc import AsyncIterator, Iterator, Mapping
from contextlib import asynccontextmanager, contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from tests.peers.libmodbus import Client
from tests.publishing.brokers import HOST
from tests.publishing.iec104.control_centre import ControlCentre
from tests.publishing.sparkplug.peer import Said

BITS: Final = 2_000  # that one request may ask for
SUBJECT: Final = re.compile(rb'subject="([^"]*)"')


@dataclass
class Heard:
    """When a client heard of each relay's alarm, by the machine's own clock (monotonic)."""

    at: dict[str, float] = field(default_factory=dict)

    def note(self, relay: str, at_s: float | None = None) -> None:
        self.at.setdefault(relay, time.monotonic() if at_s is None else at_s)


class Subscriber:
    """mosquitto_sub, which writes what it gets into a file; a reader in our own process would slow
    down what is measured."""

    def __init__(self, port: int, topics: str, file: Path) -> None:
        self._file = file
        self._offset_s = time.time() - time.monotonic()
        command = ("mosquitto_sub", "-h", HOST, "-p", str(port), "-t", topics, "-F", "%U %t %x")
        with file.open("wb") as out:
            self._process = subprocess.Popen(command, stdout=out)

    def end(self) -> None:
        self._process.kill()
        self._process.wait()

    def octets(self) -> int:
        return self._file.stat().st_size

    def heard(self) -> Iterator[tuple[float, str, bytes]]:
        """When (monotonic), topic, payload."""
        for line in self._file.read_text().splitlines():
            at, topic, payload = line.split(" ")
            yield float(at) - self._offset_s, topic, bytes.fromhex(payload)

    def events(self) -> dict[str, float]:
        found = Heard()
        for at_s, topic, payload in self.heard():
            if topic.endswith("/event"):
                body = json.loads(payload)
                if body["kind"] == "alarm_moved":
                    found.note(body["subject"], at_s)
        return found.at

    def alarms(self, alarm: str) -> dict[str, float]:
        found = Heard()
        for at_s, topic, payload in self.heard():
            if topic.endswith(f".{alarm}") and payload:
                found.note(json.loads(payload)["relay"], at_s)
        return found.at

    def metrics(self, alarm: str) -> dict[str, float]:
        """Of Sparkplug."""
        found, name = Heard(), f"Alarm/{alarm.replace('.', '-')}/state"
        for at_s, topic, payload in self.heard():
            said = Said(topic, 0, False, payload)
            if said.verb in ("DBIRTH", "DDATA") and said.values().get(name) == "B":
                found.note(said.device, at_s)
        return found.at


def iec104(centre: ControlCentre, relays: Mapping[int, str]) -> dict[str, float]:
    """relays: by address."""
    found = Heard()
    for one in centre.all("asdu", type=30, cause=3):
        if int(one["elements"][:2], 16) & 1:
            found.note(relays[one["address"]], one["at"])
    return found.at


@asynccontextmanager
async def opcua(port: int) -> AsyncIterator[Heard]:
    """A process of its own (opcua_watch.py), once it is subscribed."""
    command = (sys.executable, "-m", "tests.benchmarks.opcua_watch", str(port))
    process = await asyncio.create_subprocess_exec(*command, stdout=PIPE)
    assert process.stdout is not None
    out, heard = process.stdout, Heard()
    assert await out.readline() == b"subscribed\n"

    async def listen() -> None:
        async for line in out:
            relay, at_s = line.decode().split()
            heard.note(relay, float(at_s))

    listening = asyncio.create_task(listen())
    try:
        yield heard
    finally:
        process.kill()
        await process.wait()
        await listening


@dataclass
class Syslog:
    """A bare UDP receiver; the relay stands in the structured data."""

    port: int
    heard: Heard = field(default_factory=Heard)


@contextmanager
def syslog() -> Iterator[Syslog]:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.bind((HOST, 0))
        sock.settimeout(0.2)
        found = Syslog(sock.getsockname()[1])
        ended = threading.Event()

        def receive() -> None:
            while not ended.is_set():
                with suppress(TimeoutError):
                    message = sock.recv(8_192)
                    if b" alarm_moved " in message:
                        relay = SUBJECT.search(message)
                        assert relay is not None, message
                        found.heard.note(relay[1].decode())

        thread = threading.Thread(target=receive, name="syslog receiver")
        thread.start()
        yield found
        ended.set()
        thread.join()


class Points:
    """Reads all discrete inputs over and over, as fast as they come."""

    def __init__(self, port: int, relays: Mapping[int, str]) -> None:
        """relays: by input."""
        self.heard = Heard()
        self._ended = threading.Event()
        self._relays = relays
        self._thread = threading.Thread(target=self._read, args=(port,), name="points client")
        self._thread.start()

    def _read(self, port: int) -> None:
        last = max(self._relays)
        with Client(HOST, port, unit=1) as client:
            while not self._ended.is_set():
                for first in range(0, last + 1, BITS):
                    count = min(BITS, last + 1 - first)
                    for place, stands in enumerate(client.input_bits(first, count), first):
                        if stands:
                            self._note(place)

    def _note(self, place: int) -> None:
        if place in self._relays:
            self.heard.note(self._relays[place])

    def end(self) -> None:
        self._ended.set()
        self._thread.join()
