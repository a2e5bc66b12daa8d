"""Asking a device from the command line: through the service that polls it, or directly."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import NoReturn, TypeAlias

import typer

from poller.cli import common
from poller.cli.common import Exit
from poller.edges import control
from poller.edges.link import Link
from poller.model.problems import Faulty
from poller.reading import run as asking
from poller.reading.exchange import Garbled, NoReply, Outcome, Refused, Reply
from poller.reading.frames import Request
from poller.reading.read_plan import Pass
from poller.reading.run import PassRead
from poller.site.builtin import ANY
from poller.site.load import UNREADABLE, load_map, mend_unreadable, why_unreadable
from poller.site.register_map import RegisterMap

Ask: TypeAlias = Callable[[Request], Awaitable[Outcome]]
REST_MS = 100  # between two requests, as a service that polls would keep it


def host_and_port(text: str) -> tuple[str, int]:
    """HOST or HOST:PORT; [::1]:502 for an IPv6 address."""
    host, colon, port = text.rpartition(":")
    if text.startswith("["):
        host, _, port = text[1:].partition("]")
        return host, _port(port.lstrip(":"), text)
    if not colon or ":" in host:
        return text, 502
    return host, _port(port, text)


def _port(text: str, whole: str) -> int:
    if not text:
        return 502
    if not (text.isdigit() and 1 <= int(text) <= 65_535):
        _no_port(text, whole)
    return int(text)


def _no_port(text: str, whole: str) -> NoReturn:
    common.fail(Exit.BAD_INPUT, f"{whole}: {text!r} is no port\n    mend: write HOST or HOST:PORT")


def map_named(text: str | None) -> RegisterMap:
    """A map file, or the built-in map `any`."""
    if text in (None, ANY.map):
        return ANY
    assert text is not None
    try:
        return load_map(common.read_text(text), text)
    except UNREADABLE as reason:
        mend = mend_unreadable(reason, "name a map file that can be read")
        why = why_unreadable(reason)
        common.fail(Exit.BAD_INPUT, f"{text} can't be read: {why}\n    mend: {mend}")
    except Faulty as reason:
        common.fail(Exit.BAD_INPUT, str(reason))


def with_device(
    host: str, port: int, unit: int, timeout_s: float, work: Callable[[Ask], Awaitable[None]]
) -> None:
    """Runs work with a way to ask; through a running service where one polls that host."""
    service = service_for(host, port)
    if service is not None:
        common.err.print(f"{host}:{port} is polled by a service; asking through it")
        asyncio.run(_work(work, _through(service, host, port, unit, timeout_s)))
        return
    asyncio.run(_directly(host, port, unit, timeout_s, work))


async def _work(work: Callable[[Ask], Awaitable[None]], ask: Ask) -> None:
    await work(ask)


async def _directly(
    host: str, port: int, unit: int, timeout_s: float, work: Callable[[Ask], Awaitable[None]]
) -> None:
    link = Link(
        asyncio.get_running_loop().create_connection,
        host,
        port,
        source=None,
        gateway=unit not in (0, 255),
        rest_ms=REST_MS,
        monotonic=time.monotonic,
    )
    try:
        await work(lambda request: link.ask(unit, request, timeout_s))
    finally:
        await link.close()


def service_for(host: str, port: int) -> Path | None:
    """The socket of the service that polls there; None: none does on this machine."""
    for path in control.running():
        if control.request(path, "polls", "polls", {"host": host, "port": port}):
            return path
    return None


def _through(path: Path, host: str, port: int, unit: int, timeout_s: float) -> Ask:
    async def ask(request: Request) -> Outcome:
        args = {
            "host": host,
            "port": port,
            "unit": unit,
            "timeout_s": timeout_s,
            "table": request.table,
            "address": request.address,
            "count": request.count,
            "read_code": request.read_code,
            "object_id": request.object_id,
        }
        said = await asyncio.to_thread(control.request, path, "ask", "ask_relay", args)
        match said:
            case {"reply": pdu}:
                return Reply(pdu=bytes.fromhex(pdu))
            case {"refused": code}:
                return Refused(code=code)
            case {"garbled": reason}:
                return Garbled(reason=reason)
            case _:
                return NoReply(reason=str(said.get("no_reply")))

    return ask


async def read_pass(ask: Ask, pass_: Pass) -> PassRead:
    """One pass over the device."""
    dialogue = asking.run(pass_)
    try:
        request = next(dialogue)
        while True:
            request = dialogue.send(await ask(request))
    except StopIteration as end:
        read: PassRead = end.value
        return read


def give_up_if_away(read: PassRead, place: str) -> None:
    """Ends the command where nothing answered at all."""
    if asking.is_away(read.trouble) and not any(read.replies) and not read.objects:
        common.fail(Exit.UNREACHABLE, f"{place}: {asking.describe(read.trouble)}")


UnitOption = typer.Option("--unit", min=0, max=255, help="Unit id; 255 for a device with TCP.")
TimeoutOption = typer.Option("--timeout", min=0.1, max=60, help="Seconds to wait for a reply.")
