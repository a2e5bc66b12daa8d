"""What people say to the service over its control socket, and text made safe to show."""

from __future__ import annotations

import asyncio
import json
import socket
from collections.abc import Callable
from functools import cache
from pathlib import Path
from types import SimpleNamespace
from typing import Any, Final, cast

from poller.cli.desk import Desk
from poller.decide import Command, decide
from poller.edges import control
from poller.edges.commands import answer_to
from poller.journal import envelope
from poller.model import limits
from poller.model.text import shown
from poller.reading.exchange import NoReply, Outcome
from poller.reading.frames import Request
from poller.service import Service
from poller.site.load import load_site
from poller.site.settings import Site
from poller.state import fold
from tests.answers.world import NOW, STATE
from tests.fuzz.families import ROOT
from tests.fuzz.octets import Octets

REPLY_MAX: Final = 8 * limits.CONTROL_LINE_MAX  # JSON's own escapes make six of one


@cache
def loop() -> asyncio.AbstractEventLoop:
    return asyncio.new_event_loop()


@cache
def site() -> Site:
    folder = ROOT / "config"
    return load_site("site.yaml", lambda path: (folder / path).read_text(encoding="utf-8"))


class StandIn:
    """In place of a service: decides as it does, and keeps what was decided for this one input."""

    ports = SimpleNamespace(version="0")

    def __init__(self) -> None:
        self.state = STATE
        self.fleet = SimpleNamespace(endpoint=lambda host, port: self)

    def status(self) -> dict[str, Any]:
        return {}

    def live(self) -> dict[str, Any]:
        return {}

    async def command(self, given: Command, *, number: str, by: str) -> dict[str, Any]:
        events = decide(self.state, site(), given, NOW, by=by, cause=number).events
        for seq, event in enumerate(events, start=self.state.seq + 1):
            stored = envelope.write(seq, f"journal:{seq}", event)
            assert len(stored) <= limits.EVENT_BYTES_MAX
            assert envelope.read(stored, "00").event == event
        self.state = fold(self.state, enumerate(events, start=self.state.seq + 1))
        return answer_to(events)

    async def errand(self, unit: int, request: Request, timeout_s: float) -> Outcome:
        assert 0 <= unit <= 255, "a unit that ends the connection"
        assert timeout_s <= 60
        return NoReply(reason=request.pdu.hex())


class Written:
    """A writer that keeps what is written. The socket is one of ours, so that it has a peer."""

    def __init__(self) -> None:
        self.data = b""

    def get_extra_info(self, name: str) -> socket.socket:
        return _pair()[0]

    def write(self, data: bytes) -> None:
        self.data += data

    async def drain(self) -> None:
        pass


@cache
def _pair() -> tuple[socket.socket, socket.socket]:
    return socket.socketpair()


def control_lines(data: bytes) -> None:
    """Lines on the control socket: each is answered once, and none ends the conversation."""
    loop().run_until_complete(_talked(data))


async def _talked(data: bytes) -> None:
    reader = asyncio.StreamReader(limit=limits.CONTROL_LINE_MAX)
    reader.feed_data(data)
    reader.feed_eof()
    written = Written()
    service = cast(Service, StandIn())
    desk = Desk(service, site_file=Path("site.yaml"), journal=Path("j"), reread=_nothing)
    await control._talk(reader, cast(asyncio.StreamWriter, written), desk.handle)
    answers = written.data.splitlines()
    lines = data.split(b"\n")
    assert len(answers) == len(lines) - 1 + bool(lines[-1])
    for line in answers:
        assert len(line) <= REPLY_MAX
        answer = json.loads(line)
        assert len(answer["id"]) <= limits.COMMAND_ID_MAX
        assert (answer.keys() - {"id", "ok"}) == {"result" if answer["ok"] else "refused"}


async def _nothing() -> None:
    pass


def text(data: bytes) -> None:
    """What a device or a person wrote, made safe to show; and safe again when shown twice."""
    given = Octets(data)
    most = 1 + given.number(254)
    raw = _decoded(given.rest())
    safe = shown(raw, most)
    assert len(safe) <= most
    assert all(one.isprintable() or one.isspace() for one in safe), f"{safe!a}"
    assert not set(safe) & set(MOVES_A_CURSOR), f"{safe!a}"
    safe.encode()
    assert shown(safe, most) == safe


# control characters of both sets, line and paragraph separators, what turns text around
MOVES_A_CURSOR: Final = "\x00\x07\x08\x1b\x7f\x9b\r\n\t\x85\u2028\u2029\u200f\u202e\u2066\ufeff"


def _decoded(data: bytes) -> str:
    """Any octets are some text."""
    try:
        return data.decode("utf-8", "surrogatepass")
    except UnicodeDecodeError:
        return data.decode("latin-1")


TARGETS: Final[dict[str, Callable[[bytes], None]]] = {
    "control_lines": control_lines,
    "text": text,
}
