"""A process for tests of child.py, well or not: the first message says what it is to do."""

from __future__ import annotations

import asyncio
import os
import signal
import sys
import time
from collections.abc import Callable, Mapping
from typing import Any

from poller.publishing.parent import Parent


def _hang(parent: Parent) -> None:
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
    parent.say({"hangs": True})
    time.sleep(3_600)


def _flood(parent: Parent) -> None:
    while True:
        parent.say({"n": 1})


def _write(octets: bytes) -> Callable[[Parent], None]:
    return lambda parent: [os.write(parent._out, octets) for _ in range(2)] and None


def _complain(parent: Parent) -> None:
    for number in range(5_000):
        print(f"\x1b[31m{number}", "x" * 90, file=sys.stderr)
    parent.say({"complained": True})


def _die(parent: Parent) -> None:
    sys.stderr.write("no such address\n")
    sys.stderr.flush()
    os._exit(3)


DOES: dict[str, Callable[[Parent], None]] = {
    "die": _die,
    "killed": lambda parent: os.kill(os.getpid(), signal.SIGKILL),
    "raise": lambda parent: 1 // 0 and None,
    "hang": _hang,
    "flood": _flood,
    "long line": _write(b"x" * 70_000),
    "no json": _write(b"\x1b[2Jhello\n"),
    "no object": _write(b"[1]\n"),
    "deep": _write(b"[" * 30_000 + b"\n"),
    "complain": _complain,
    "print": lambda parent: print("hello", flush=True),
    "environment": lambda parent: parent.say({"environment": sorted(os.environ)}),
}


async def main() -> None:
    parent = await Parent.found()
    async for message in parent.messages():
        parent.say(_answer(parent, message))


def _answer(parent: Parent, message: Mapping[str, Any]) -> Mapping[str, Any]:
    if "do" in message:
        DOES[message["do"]](parent)
    return {"got": len(str(message)), "message": str(message)[:100]}


if __name__ == "__main__":
    asyncio.run(main())
