"""The other end of child.py: what a process of its own sees of the poller that started it.

Imported there and nowhere else: it takes over stdin and stdout.
"""

from __future__ import annotations

import asyncio
import ctypes
import json
import os
import signal
import sys
from collections.abc import AsyncIterator, Mapping
from typing import Any, Final

from poller.model import limits

PR_SET_PDEATHSIG: Final = 1  # prctl(2)


class Parent:
    """Messages from and to the poller, in a running loop, which also shows that it goes round."""

    def __init__(self, reader: asyncio.StreamReader, out: int) -> None:
        self._reader, self._out = reader, out

    @classmethod
    async def found(cls) -> Parent:
        """Call it first, once. Raises SystemExit where the poller is gone already."""
        _die_with(int(sys.argv[1]))
        reader = asyncio.StreamReader(limit=limits.CHILD_TOLD_MAX)
        loop = asyncio.get_running_loop()
        await loop.connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), sys.stdin)
        out = os.dup(sys.stdout.fileno())
        os.set_blocking(out, True)
        os.dup2(sys.stderr.fileno(), sys.stdout.fileno())  # what a library prints is no message
        return cls(reader, out)

    async def messages(self) -> AsyncIterator[Mapping[str, Any]]:
        """Until the poller ends it. Meanwhile it is told that we are here.

        However many wait, whoever is served here has a turn between two.
        """
        beat = asyncio.create_task(self._beat())
        try:
            while (line := await self._reader.readline()).endswith(b"\n"):
                yield json.loads(line)
                await asyncio.sleep(0)
        finally:
            beat.cancel()

    def say(self, message: Mapping[str, Any]) -> None:
        """Waits where the poller does not read: without it there is nothing to do here."""
        rest = json.dumps(message, separators=(",", ":")).encode() + b"\n"
        assert len(rest) <= limits.CHILD_LINE_MAX, "more than the poller reads"
        while rest:
            rest = rest[os.write(self._out, rest) :]

    async def _beat(self) -> None:
        while True:
            self.say({})
            await asyncio.sleep(limits.CHILD_SILENT_S / 5)


def _die_with(poller: int) -> None:
    """By the kernel, should the poller be killed; stdin tells it too, but not to one that hangs."""
    ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, signal.SIGKILL)
    if os.getppid() != poller:
        raise SystemExit("the poller that started this is gone")
