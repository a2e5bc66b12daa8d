"""What the page may know and ask of the service behind it; whoever wires them hands it in."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, TypeAlias, TypeVar

from poller.journal import Journal
from poller.judging.last_read import LastRead
from poller.model import limits
from poller.model.refusal import Refusal
from poller.model.standing import State
from poller.model.status import StatusReading
from poller.people import Passed
from poller.planning.known import NONE, Known, known
from poller.planning.outages.shape import OutageFile
from poller.site.settings import Site
from poller.web.passwords import Passwords

T = TypeVar("T")

Ask: TypeAlias = Callable[[str, dict[str, Any], str, str], Awaitable[dict[str, Any]]]
"""(command, its values, the command's own id, who): the answer once it is durable.

Raises Refusal, as the control socket would: the same typed commands go the same way.
"""


def unread(site: Site, state: State) -> Known:
    """Where no folder of advisories can be read."""
    return known(site, state, NONE)


def no_outages(site: Site) -> OutageFile:
    """Where no outages file can be read."""
    raise Refusal("no outages file is read here; use: bayroll plan")


async def no_evidence(first: datetime, last: datetime, hide_addresses: bool) -> bytes:
    """Where nothing can make a bundle."""
    raise Refusal("no bundle is made here; use: bayroll evidence")


class Busy(Exception):
    """So much waits already that one more would only wait in vain."""


class Threads:
    """A few threads beside the loop, for what takes longer than a poll may wait."""

    def __init__(self) -> None:
        self._pool = ThreadPoolExecutor(limits.PAGE_THREADS, thread_name_prefix="page")
        self._waiting = 0

    async def do(self, work: Callable[[], T]) -> T:
        """What work returns or raises. Raises Busy."""
        if self._waiting >= limits.PAGE_WAITING_MAX:
            raise Busy
        self._waiting += 1
        try:
            return await asyncio.get_running_loop().run_in_executor(self._pool, work)
        finally:
            self._waiting -= 1

    def close(self) -> None:
        self._pool.shutdown(wait=False, cancel_futures=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class Behind:
    """state: what is durable. live, status: as of Service. journal: a connection of its own, since
    threads use it. commands: name to the type of its values. monotonic: seconds. known: what
    advisories say; reads a folder, so for threads. zone: of times that people give without one.
    last_read: of a relay, as it came. evidence: of a span (first, last, whether addresses are
    hidden), the bundle as a zip; raises Refusal and Busy.
    passed: as Service.passed. outages: reads a file, so for threads; raises Faulty and Refusal.
    """

    site: Callable[[], Site]
    state: Callable[[], State]
    live: Callable[[], Mapping[str, StatusReading]]
    status: Callable[[], dict[str, Any]]
    journal: Journal
    ask: Ask
    passed: Callable[[Passed, str | None], Awaitable[None]]
    commands: Mapping[str, type]
    passwords: Passwords
    now: Callable[[], datetime]
    monotonic: Callable[[], float]
    version: str
    last_read: Callable[[str], LastRead | None] = lambda relay: None
    known: Callable[[Site, State], Known] = unread
    zone: Callable[[], str] = lambda: "UTC"
    outages: Callable[[Site], OutageFile] = no_outages
    evidence: Callable[[datetime, datetime, bool], Awaitable[bytes]] = no_evidence
    threads: Threads = field(default_factory=Threads)
