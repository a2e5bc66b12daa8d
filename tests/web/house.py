"""A page on the shipped site with a journal in which something happened, and no service: what is
asked is decided, written and folded at once."""

from __future__ import annotations

import asyncio
import re
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import httpx
from fastapi import FastAPI

from poller.cli.shipped import config_folder
from poller.decide import About, Input, SiteRead, Started, decide
from poller.edges import commands
from poller.edges.advisory_folder import Advisories
from poller.journal import Journal
from poller.journal.store import Batch, Writer
from poller.model.refusal import Refusal
from poller.model.standing import State
from poller.model.status import Quality, Status, StatusReading
from poller.people import Passed
from poller.site.load import load_site
from poller.site.settings import Page as Settings
from poller.site.settings import Site
from poller.state import fold
from poller.web.app import guarded, routes
from poller.web.behind import Behind
from poller.web.guard import App
from poller.web.page import Page
from poller.web.passwords import Passwords, beside
from tests.cli.bench import AT, STORY

PASSWORD = "cold-tea-at-the-bay"  # noqa: S105 - made up
PATHS = [
    "/relays",
    "/relays/q01-main1",
    "/alarms",
    "/alarms/measures",
    "/changes",
    "/work",
    "/due",
    "/versions",
    "/about",
]
"""Every view, as anybody may see it."""
FOR_SOME = ["/evidence", "/users", "/password"]
"""For who has the right role, or is signed in."""
HERE = "http://127.0.0.1:8420"


@cache
def _site() -> Site:
    path = config_folder() / "site.yaml"
    return load_site(str(path), lambda name: Path(name).read_text(encoding="utf-8"))


@cache
def _routes() -> FastAPI:
    """Made once, since that takes longer than most tests."""
    return routes(commands.COMMANDS, "0.1.0")


def app_of(page: Page) -> App:
    """Of one page at a time."""
    return guarded(_routes(), page)


@dataclass
class House:
    """Everything behind a page, as the wiring hands it in."""

    folder: Path
    settings: Settings | None = field(default_factory=Settings)
    state: State = field(default_factory=State)
    now: datetime = AT
    seconds: float = 0.0
    live: dict[str, StatusReading] = field(default_factory=dict)
    failing: str | None = None
    hangs: bool = False  # the disk, while an event is written
    app: App | None = None
    asked: list[tuple[str, dict[str, Any], str]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.site = _site()
        self.writer = Writer.open(self.folder / "house.journal")
        for given in (Started(version="0"), SiteRead()):
            self.decide(given)
        for relay, finding in STORY:
            self.decide(About(relay=relay, finding=finding))
        self.live["q01-main1"] = StatusReading(status=Status(), quality=Quality.GOOD, at=self.now)
        self.page = Page(
            Behind(
                site=lambda: replace(
                    self.site, file=self.site.file.model_copy(update={"page": self.settings})
                ),
                state=lambda: self.state,
                live=lambda: self.live,
                status=self._status,
                journal=Journal.open(self.writer.path),
                ask=self._ask,
                passed=self._passed,
                commands=commands.COMMANDS,
                passwords=Passwords(beside(self.writer.path)),
                now=lambda: self.now,
                monotonic=lambda: self.seconds,
                version="0.1.0",
                known=Advisories(config_folder() / "site.yaml"),
            )
        )
        self.page.feed.begin(self.state.seq)

    def close(self) -> None:
        self.page.close()
        self.writer.close()

    def pass_s(self, seconds: float) -> None:
        self.seconds += seconds
        self.now += timedelta(seconds=seconds)

    def decide(self, given: Input, *, by: str | None = None, cause: str | None = None) -> list[Any]:
        self.now += timedelta(seconds=1)
        events = decide(self.state, self.site, given, self.now, by=by, cause=cause).events
        if events:
            [recorded] = self.writer.write([Batch(events=events)])
            assert isinstance(recorded, tuple)
            self.state = fold(self.state, ((one.seq, one.event) for one in recorded))
            if hasattr(self, "page"):
                self.page.feed.tell(recorded, self.state)
        return list(events)

    async def _ask(self, op: str, args: dict[str, Any], number: str, by: str) -> dict[str, Any]:
        self.asked.append((op, args, by))
        return commands.answer_to(self.decide(commands.command(op, args), by=by, cause=number))

    async def _passed(self, given: Passed, by: str | None) -> None:
        if self.failing is not None:
            raise Refusal(self.failing)
        if self.hangs:
            await asyncio.Event().wait()
        self.decide(given, by=by)

    def _status(self) -> dict[str, Any]:
        return {
            "site": "fellmoor",
            "version": "0.1.0",
            "relays": 24,
            "reload_faults": 0,
            "reload_first": None,
            "journal": {
                "seq": self.state.seq,
                "waiting": 0,
                "failing": self.failing,
                "judging": "running",
            },
            "outputs": [
                {"output": "mqtt", "cursor": 1, "lag": 3, "connected": True, "says": "connected"}
            ],
        }

    def add(self, user: str, *roles: str) -> None:
        """Somebody who signs in with PASSWORD."""
        self.decide(commands.command("user_add", {"user": user, "roles": roles}), by="root")
        self.page.behind.passwords.set(user, PASSWORD)

    @asynccontextmanager
    async def browser(
        self, user: str | None = None, *, peer: str = "127.0.0.1", base: str = HERE
    ) -> AsyncIterator[httpx.AsyncClient]:
        """A client of its own cookies, signed in as that user."""
        self.app = self.app or app_of(self.page)
        transport = httpx.ASGITransport(self.app, client=(peer, 40_000))
        async with httpx.AsyncClient(transport=transport, base_url=base) as client:
            if user is not None:
                answer = await sign_in(client, user)
                client.headers["x-bayroll-form"] = answer.json()["form"]
            yield client


async def sign_in(client: httpx.AsyncClient, user: str, password: str = PASSWORD) -> httpx.Response:
    return await client.post("/api/v1/session", json={"user": user, "password": password})


def form_of(text: str) -> str:
    """The hidden field that a page's forms carry."""
    found = re.search(r'name="form" value="([^"]+)"', text)
    assert found is not None
    return found[1]


def told(answer: httpx.Response) -> Mapping[str, Any]:
    assert answer.status_code == 200, answer.text
    made: Mapping[str, Any] = answer.json()
    return made
