"""Control centres that call the outstation: c104 clients, each a process (scada.py)."""

from __future__ import annotations

import asyncio
import json
import sys
from asyncio.subprocess import PIPE
from collections.abc import Callable
from contextlib import suppress
from functools import partial
from importlib.util import find_spec
from typing import Any

import pytest

from tests.publishing.world import until

NO_C104 = "" if find_spec("c104") else "c104 is not installed: uv sync, or the group dev"
needs_c104 = pytest.mark.skipif(bool(NO_C104), reason=NO_C104)

LINE_MAX = 1024 * 1024


class ControlCentre:
    """async with ControlCentre(port, points=[1_000]) as one: it calls until it is let go.

    options: as scada.main takes them. heard: all it said, in order.
    """

    def __init__(self, port: int, **options: Any) -> None:
        self._port, self._options = port, options
        self.heard: list[dict[str, Any]] = []

    async def __aenter__(self) -> ControlCentre:
        self.process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-m", "tests.publishing.iec104.scada"),
            *(str(self._port), json.dumps(self._options)),
            stdin=PIPE,
            stdout=PIPE,
            limit=LINE_MAX,
        )
        self._listening = asyncio.ensure_future(self._listen())
        return self

    async def __aexit__(self, *reason: object) -> None:
        with suppress(ProcessLookupError):
            self.process.kill()  # it would take a second to say goodbye
        ended = asyncio.ensure_future(self._ended())
        while not ended.done():
            with suppress(asyncio.CancelledError):  # a second one: Looking is in a hurry
                await asyncio.wait((ended,))

    async def _ended(self) -> None:
        await self.process.wait()
        await self._listening

    async def _listen(self) -> None:
        assert self.process.stdout is not None
        async for line in self.process.stdout:
            if line.startswith(b"{"):  # the library says some of its own
                self.heard.append(json.loads(line))

    async def do(self, *request: Any) -> Any:
        """Asks it to; returns what came of it, as the library says."""
        assert self.process.stdin is not None
        before = len(self.all("done"))
        self.process.stdin.write(json.dumps(request).encode() + b"\n")
        await until(lambda: len(self.all("done")) > before)
        return self.all("done")[before]["result"]

    def all(self, what: str, **wanted: Any) -> list[dict[str, Any]]:
        return [one for one in self.heard if one["what"] == what and wanted.items() <= one.items()]

    @property
    def state(self) -> str | None:
        states = self.all("state")
        return states[-1]["state"] if states else None

    async def there(self, *, within_s: float = 20) -> None:
        """It is connected and started."""
        await self.until(lambda: self.state == "OPEN", within_s=within_s)

    async def until(self, true: Callable[[], object], *, within_s: float = 20) -> None:
        """As world.until, of one that is to be started whenever it is connected.

        Now and then, most of all on a busy machine, the library forgets that by itself.
        """
        async with asyncio.timeout(within_s):
            while not true():
                with suppress(TimeoutError):
                    await until(true, within_s=1)  # it may yet think of it
                if self.state == "OPEN_MUTED":
                    await self.do("unmute")

    async def ask(
        self, *request: Any, kind: int, cause: int, within_s: float = 20
    ) -> dict[str, Any]:
        """The answer of this type and cause; now and then the library misses one itself."""
        before = len(self.all("asdu", type=kind, cause=cause))
        await self.do(*request)
        answers = partial(self.all, "asdu", type=kind, cause=cause)
        await until(lambda: len(answers()) > before, within_s=within_s)
        return answers()[before]

    async def interrogate(self, station: int = 1, *, within_s: float = 20) -> dict[int, int]:
        """Address to value and quality."""
        await self.ask("interrogate", station, kind=100, cause=10, within_s=within_s)
        return self.interrogated()

    async def leave(self) -> None:
        await self.do("disconnect")
        await until(lambda: self.state == "CLOSED")

    def told(self) -> list[tuple[int, int, int]]:
        """(address, value and quality, time in ms) of each object of type 30, in order."""
        return [
            (one["address"], one["value"] | one["quality"], one["at_ms"])
            for one in self.all("point", type=30)
        ]

    def interrogated(self) -> dict[int, int]:
        """Address to value and quality, by all interrogations so far."""
        found: dict[int, int] = {}
        for one in self.all("asdu", type=1, cause=20):
            assert one["sequence"]
            points = bytes.fromhex(one["elements"])[3:]
            found |= {one["address"] + at: point for at, point in enumerate(points)}
        return found
