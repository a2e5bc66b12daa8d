"""The database is full for a while, under the real service, its real committer and real sockets.

What waits is bounded and kept in order, polling goes on, and what changed meanwhile is told once.
"""

from __future__ import annotations

import asyncio
import random
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest
import structlog

from poller.cli import common
from poller.decide import AcceptBaseline, Refusal
from poller.edges.clock import SystemClock
from poller.journal import Verified
from poller.journal.committer import ThreadCommitter
from poller.journal.ports import CommitFailed
from poller.journal.store import Reader, Writer
from poller.model import events as ev
from poller.model import limits
from poller.service import Ports, Service
from simulator.acts import Flag
from simulator.serve import Fleet
from simulator.stage import load_stage
from tests.crash.stand import QUIET, short_site

BOUND = 12  # in place of a thousand, so that few changes fill it
FLAG = "storage_low"
WITHIN_S = 60.0


@dataclass
class Full:
    fleet: Fleet
    service: Service
    committer: ThreadCommitter
    reader: Reader

    async def pages(self, most: int) -> None:
        """How long the file may become; 1: as it is now."""
        while True:
            try:
                await self.committer.call(
                    lambda held: held.connection.pragma("max_page_count", most)
                )
                return
            except CommitFailed:  # asked for before a failure was told
                await asyncio.sleep(0.01)

    async def until(self, true: Callable[[], bool], what: str) -> None:
        end = time.monotonic() + WITHIN_S
        while not true():
            assert time.monotonic() < end, f"not within {WITHIN_S:g} s: {what}: {self.journal()}"
            assert self.service.waiting < limits.EVENTS_WAITING_MAX + 4, "an input's events more"
            await asyncio.sleep(0.02)

    def journal(self) -> dict[str, object]:
        said: dict[str, object] = self.service.status()["journal"]
        return said

    def read(self, relay: str) -> bool:
        known = self.service.durable.relays.get(relay)
        return known is not None and known.nameplate is not None

    def rose(self) -> list[str]:
        rows = self.reader.history(kinds=["flag_rose"], limit=10_000)
        return [one.event.subject for one in rows]

    async def accept_until_full(self, relay: str) -> asyncio.Task[dict[str, object]]:
        """One command after another, until one waits for room; the next is not taken."""
        for number in range(1_000):
            given = AcceptBaseline(relays=(relay,), why="x" * 400)
            under_way = asyncio.create_task(
                self.service.command(given, number=str(number), by="somebody")
            )
            while not under_way.done() and self.journal()["failing"] is None:
                await asyncio.wait([under_way], timeout=0.005)
            if not under_way.done():
                with pytest.raises(Refusal, match="can't be written now"):
                    await self.service.command(given, number="more", by="somebody")
                return under_way
        raise AssertionError("the database is never full")

    async def shown(self, relays: list[str], standing: bool) -> None:
        """The flag of these relays rises or falls, and is decided on; or read, where none is."""
        for relay in relays:
            await self.fleet.do(relay, Flag(flag=FLAG, standing=standing))
        await self.until(lambda: all(self._told(one, standing) for one in relays), "flags are read")

    def _told(self, relay: str, standing: bool) -> bool:
        if self.journal()["judging"] == "paused":
            return (FLAG, standing) in self.service.live()[relay].status.flags
        return (FLAG in self.service.state.relays[relay].flags) == standing


@asynccontextmanager
async def running(folder: Path) -> AsyncIterator[Full]:
    async with Fleet(load_stage(str(QUIET), common.read_text)) as fleet:
        addresses = {name: str(address) for name, address in fleet.addresses.items()}
        site = common.load(short_site(folder, addresses, None))
        with Writer.open(folder / "a.journal") as writer, Reader.open(writer.path) as reader:
            committer = ThreadCommitter(writer)
            ports = Ports(
                clock=SystemClock(),
                connect=asyncio.get_running_loop().create_connection,
                committer=committer,
                reader=reader,
                random=random.Random(1),
                outputs=lambda of, live: [],
                version="1",
            )
            service = Service(site, ports)
            task = asyncio.create_task(service.run())
            try:
                yield Full(fleet, service, committer, reader)
                service.stop()
                await task
            finally:
                task.cancel()
                await asyncio.wait([task])
                await committer.close()


async def test_full_and_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async with running(tmp_path) as full:
        relays = sorted(
            entry.id for entry in full.fleet.stage.entries if entry.maps[0] in ("larch", "pike")
        )
        await full.until(
            lambda: len(full.reader.history(kinds=["nameplate_first_read"])) == 24, "all are read"
        )
        monkeypatch.setattr(limits, "EVENTS_WAITING_MAX", BOUND)
        await full.pages(1)
        under_way = await full.accept_until_full(relays[0])
        for standing in (True, False):
            await full.shown(relays, standing)
        before, there = full.journal(), full.rose()
        assert "full" in str(before["failing"]).lower()
        assert before["judging"] == "paused"
        assert isinstance(before["waiting"], int)
        assert before["waiting"] >= BOUND

        polled = full.service.live()[relays[0]].at
        await full.until(lambda: full.service.live()[relays[0]].at > polled, "polling goes on")
        assert full.rose() == there, "nothing is written meanwhile"

        await full.shown(relays, True)
        await full.pages(1_000_000)
        await full.until(lambda: full.journal()["waiting"] == 0, "all that waited is written")
        assert (await under_way)["kinds"] == ["baseline_accepted"]
        await full.until(lambda: _known(full, relays), "what rose meanwhile is told")
        assert full.journal()["failing"] is None
        assert full.journal()["judging"] == "running"
    with Reader.open(tmp_path / "a.journal") as reader:
        events = reader.read(0, 10_000)
        assert isinstance(reader.verify(), Verified)
    assert [one.seq for one in events] == list(range(1, len(events) + 1))
    for relay in relays:
        edges = [one.event.body for one in events if one.event.subject == relay]
        told = [isinstance(one, ev.FlagRose) for one in edges if _of_flag(one)]
        assert told == [n % 2 == 0 for n in range(len(told))], "each edge once, and in order"
        assert told[-1], "it stands"


async def test_what_is_lost_with_a_stop_is_told(tmp_path: Path) -> None:
    with structlog.testing.capture_logs() as logged:
        async with running(tmp_path) as full:
            await full.until(lambda: full.reader.head().seq > 0, "it has begun")
            relay = full.fleet.stage.entries[0].id
            await full.until(lambda: full.read(relay), "it is read")
            await full.pages(1)
            under_way = await full.accept_until_full(relay)
            waited = full.service.waiting
            under_way.cancel()
    (lost,) = (one for one in logged if one["event"] == "events_lost")
    assert lost["events"] > waited, "the stop itself is one"
    assert "full" in lost["reason"].lower()


def _of_flag(body: ev.Body) -> bool:
    return isinstance(body, ev.FlagRose | ev.FlagFell) and body.flag == FLAG


def _known(full: Full, relays: list[str]) -> bool:
    return all(FLAG in full.service.durable.relays[relay].flags for relay in relays)
