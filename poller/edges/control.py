"""The way in for people: one JSON line a request over a Unix socket whose file says who may.

Request {"id", "op", "args"}; reply {"id", "ok", "result"} or {"id", "ok": false, "refused"}.
The peer's uid is taken from the socket and stands beside the name the person gives.
"""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import json
import os
import socket
import stat
import struct
import tempfile
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, TypeAlias

import structlog

from poller.decide import Refusal
from poller.model import limits
from poller.model.text import shown

log = structlog.get_logger()
ANSWER_S: Final = 30.0  # how long a command line waits for the service
PATH_BYTES_MAX: Final = 107  # sun_path of Linux, less the closing zero


@dataclass(frozen=True, slots=True, kw_only=True)
class Ask:
    """What came over the socket. peer: the uid at the other end, as the kernel tells it."""

    id: str
    op: str
    args: dict[str, Any]
    peer: int


Handler: TypeAlias = Callable[[Ask], Awaitable[Any]]


class Unreachable(Exception):
    """No service listens there."""


class Unanswered(Unreachable):
    """One took the request, and what became of it is not known."""


def runtime_folder() -> Path:
    """Where sockets of running services lie; only this user may enter."""
    named = os.environ.get("BAYROLL_RUNTIME_DIR")
    if named:
        return Path(named)
    own = os.environ.get("XDG_RUNTIME_DIR")
    base = Path(own) if own else Path(tempfile.gettempdir())
    return base / ("bayroll" if own else f"bayroll-{os.getuid()}")


def socket_path(journal: Path) -> Path:
    """The socket of the service that writes this journal; short, whatever the journal's path."""
    digest = hashlib.sha256(str(journal.resolve()).encode()).hexdigest()[:16]
    return runtime_folder() / f"{digest}.sock"


def _own_folder(folder: Path) -> None:
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    found = folder.stat()
    if found.st_uid != os.getuid() or stat.S_IMODE(found.st_mode) & 0o022:
        raise Refusal(f"{folder}: others could change it; remove it or set BAYROLL_RUNTIME_DIR")


def _unwritable(folder: Path, reason: OSError) -> Refusal:
    return Refusal(
        f"{folder}: no socket can be made there: {reason.strerror}\n"
        "    mend: let the user who runs Bayroll write in it, or set BAYROLL_RUNTIME_DIR"
    )


@contextlib.asynccontextmanager
async def serve(path: Path, handler: Handler) -> Any:
    """Answers requests until left. Removes a socket file that a dead service left."""
    try:
        _own_folder(path.parent)
    except OSError as reason:
        raise _unwritable(path.parent, reason) from reason
    if len(str(path).encode()) > PATH_BYTES_MAX:
        raise Refusal(f"{path}: too long for a socket; set BAYROLL_RUNTIME_DIR to a shorter folder")
    with contextlib.suppress(OSError):  # making the new one tells why
        path.unlink(missing_ok=True)
    clients: set[asyncio.Task[None]] = set()

    async def client(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        if len(clients) >= limits.CONTROL_CLIENTS_MAX:
            writer.close()
            return
        clients.add(task)
        try:
            await _talk(reader, writer, handler)
        except (OSError, asyncio.CancelledError):
            pass
        finally:
            clients.discard(task)
            writer.close()

    old_mask = os.umask(0o177)
    try:
        server = await asyncio.start_unix_server(client, path, limit=limits.CONTROL_LINE_MAX)
    except OSError as reason:
        raise _unwritable(path.parent, reason) from reason
    finally:
        os.umask(old_mask)
    try:
        yield
    finally:
        server.close()
        for task in clients:
            task.cancel()
        path.unlink(missing_ok=True)


async def _talk(
    reader: asyncio.StreamReader, writer: asyncio.StreamWriter, handler: Handler
) -> None:
    peer = _peer_uid(writer.get_extra_info("socket"))
    while True:
        try:
            line = await reader.readline()
        except ValueError:
            line = b"{"  # longer than the limit
        if not line:
            return
        writer.write(json.dumps(await _answer(line, peer, handler)).encode() + b"\n")
        await writer.drain()


async def _answer(line: bytes, peer: int, handler: Handler) -> dict[str, Any]:
    number = ""
    try:
        given = json.loads(line)
        number = str(given["id"])
        if len(number) > limits.COMMAND_ID_MAX:  # each event that follows would carry it
            number = ""
            raise Refusal(f"an id of over {limits.COMMAND_ID_MAX} characters")
        ask = Ask(id=number, op=str(given["op"]), args=dict(given.get("args", {})), peer=peer)
        return {"id": number, "ok": True, "result": await handler(ask)}
    except Refusal as reason:
        return {"id": number, "ok": False, "refused": str(reason)}
    except (ValueError, LookupError, TypeError, ArithmeticError, RecursionError) as reason:
        says = shown(repr(reason))
        log.info("control_request_unreadable", reason=says)
        return {"id": number, "ok": False, "refused": f"a request that makes no sense: {says}"}


def _peer_uid(sock: socket.socket) -> int:
    packed = sock.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, struct.calcsize("3i"))
    _, uid, _ = struct.unpack("3i", packed)
    return int(uid)


def request(
    path: Path, number: str, op: str, args: dict[str, Any], wait_s: float = ANSWER_S
) -> Any:
    """One request from a command line; blocking.

    Raises Unreachable or Unanswered, or Refusal with the reason.
    """
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as sock:
        sock.settimeout(wait_s)
        try:
            sock.connect(str(path))
            line = json.dumps({"id": number, "op": op, "args": args}).encode() + b"\n"
            sock.sendall(line)
            with sock.makefile("rb") as stream:
                answer = stream.readline()
        except TimeoutError as reason:
            raise Unanswered(f"{path}: no answer within {wait_s:g} s") from reason
        except OSError as reason:
            raise Unreachable(f"{path}: {reason}") from reason
    if not answer:
        raise Unreachable(f"{path}: the service closed the connection")
    reply = json.loads(answer)
    if not reply["ok"]:
        raise Refusal(reply["refused"])
    return reply["result"]


def running() -> list[Path]:
    """Sockets of this user's services that answer."""
    found = []
    for path in sorted(runtime_folder().glob("*.sock")):
        with contextlib.suppress(Unreachable, Refusal):
            request(path, "hello", "hello", {}, wait_s=2.0)
            found.append(path)
    return found
