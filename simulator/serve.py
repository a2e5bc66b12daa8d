"""A fleet of simulated relays on loopback, its story under way and its truth told.

async with Fleet(load_stage("demo.yaml", read_text)) as fleet:
    host, port, unit = fleet.addresses["q01-main1"]
"""

from __future__ import annotations

import asyncio
import os
from collections import deque
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Final, NamedTuple, Self

from poller.site.settings import RelayEntry
from simulator.acts import Act
from simulator.bench import Post, Truth
from simulator.net import Endpoint, allow_many_connections, utc_now
from simulator.relay import Relay
from simulator.stage import Stage, loopback

TRUTHS_KEPT: Final = 100_000
FUNCTION_CODES_FILE: Final = "BAYROLL_FUNCTION_CODES"


class Address(NamedTuple):
    host: str
    port: int
    unit: int

    def __str__(self) -> str:
        return f"{self.host}:{self.port}/{self.unit}"


class Fleet:
    """Answers from `async with` on. stage: what load_stage gives, or one of your own.

    free_ports: each address gets a port that is free; port_base: ports from there on; neither:
    as the site says. Addresses that are not of loopback get one that is. told: called with each
    truth. speed: stands above the scenario's.
    Raises OSError where an address can't be had.
    """

    def __init__(
        self,
        stage: Stage,
        *,
        free_ports: bool = True,
        port_base: int | None = None,
        speed: float | None = None,
        told: Callable[[Truth], None] | None = None,
    ) -> None:
        self.stage = stage
        self.bench = stage.bench(utc_now())
        self.story = stage.story()
        self.speed = speed or stage.scenario.speed
        self.truth: deque[Truth] = deque(maxlen=TRUTHS_KEPT)
        self.playing: asyncio.Task[None] | None = None  # done when the story is
        self._told = told
        self._record = FunctionCodes(os.environ.get(FUNCTION_CODES_FILE))
        self._endpoints = self._laid_out(free_ports, port_base)

    async def __aenter__(self) -> Self:
        allow_many_connections()
        try:
            for endpoint in {id(one): one for one in self._endpoints.values()}.values():
                await endpoint.open()
        except OSError:
            await self.close()
            raise
        self.playing = asyncio.create_task(self._play())
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        reason: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        await self.close()

    async def close(self) -> None:
        if self.playing is not None:
            self.playing.cancel()
            await asyncio.wait([self.playing])
        for endpoint in self._endpoints.values():
            await endpoint.close()

    @property
    def addresses(self) -> dict[str, Address]:
        """Where each relay answers, by id."""
        return {
            entry.id: Address(
                self._endpoints[entry.id].host, self._endpoints[entry.id].port, entry.unit
            )
            for entry in self.stage.entries
        }

    def relay(self, name: str) -> Relay:
        """Its register bank; use do() to change it, so that the truth is told."""
        return self.bench.posts[name].relay

    @property
    def function_codes(self) -> frozenset[str]:
        """Every one that came, at whatever relay: "3", "43/14"."""
        return frozenset(self._record.seen)

    def post(self, name: str) -> Post:
        return self.bench.posts[name]

    async def do(self, name: str, act: Act) -> list[Truth]:
        """Raises KeyError for an unknown relay, Impossible or DoesNotFit for what can't be."""
        truths = self.bench.do(name, act, utc_now())
        await self._endpoints[name].follow()
        for truth in truths:
            self.truth.append(truth)
            if self._told is not None:
                self._told(truth)
        return truths

    async def _play(self) -> None:
        loop = asyncio.get_running_loop()
        began = loop.time()
        while (due_s := self.story.next_s) is not None:
            await asyncio.sleep(began + due_s / self.speed - loop.time())
            for cue in self.story.due(due_s):
                await self.do(cue.relay, cue.act)
        await asyncio.sleep(began + self.story.ends_s / self.speed - loop.time())

    def _laid_out(self, free_ports: bool, port_base: int | None) -> dict[str, Endpoint]:
        """The endpoint of each relay; those with one host and port share it."""
        places: dict[tuple[str, int], list[RelayEntry]] = {}
        for entry in self.stage.entries:
            places.setdefault((entry.host, entry.port), []).append(entry)
        laid: dict[str, Endpoint] = {}
        for number, ((host, port), entries) in enumerate(places.items()):
            if port_base is not None:
                port = port_base + number
            elif free_ports:
                port = 0
            serial = any(entry.behind_serial for entry in entries) or len(entries) > 1
            endpoint = Endpoint(
                host=host if host.startswith("127.") else loopback(number),
                port=port,
                slots=max(entry.client_slots for entry in entries),
                units={entry.unit: entry.id for entry in entries},
                gateway=self.stage.scenario.gateway if serial else None,
                bench=self.bench,
                record=self._record,
            )
            laid |= dict.fromkeys((entry.id for entry in entries), endpoint)
        return laid


class FunctionCodes:
    """Appends each function code once to a file that several processes may share."""

    def __init__(self, file: str | None) -> None:
        self._file = None if file is None else Path(file)
        self.seen: set[str] = set()

    def __call__(self, code: str) -> None:
        if code in self.seen:
            return
        self.seen.add(code)
        if self._file is not None:
            with self._file.open("a", encoding="ascii") as out:
                out.write(f"{code}\n")
