"""The page beside the service: it is fed as an output is, and asks as the control socket does."""

from __future__ import annotations

import random
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from time import monotonic
from typing import Any

from poller.cli.evidence_apart import EvidenceApart
from poller.cli.zone import machine_zone
from poller.decide import Command
from poller.edges import commands
from poller.edges.advisory_folder import Advisories
from poller.edges.clock import SystemClock
from poller.edges.outages_file import read_outages
from poller.journal import Journal, JournalUnusable
from poller.model.events import Recorded
from poller.model.problems import Problem
from poller.model.standing import State
from poller.publishing.ports import OutputStatus
from poller.publishing.together import first_to_fail
from poller.service import Service
from poller.site.settings import Page as Settings
from poller.site.settings import Site
from poller.web.behind import Behind
from poller.web.page import Page
from poller.web.passwords import Passwords, beside
from poller.web.server import Served

NAME = "page"


def page_of(service: Service, journal: Path, site_file: Path) -> Page:
    """For as long as the service lives."""

    async def ask(op: str, args: dict[str, Any], number: str, by: str) -> dict[str, Any]:
        given: Command = commands.command(op, args)
        return await service.command(given, number=number, by=by)

    return Page(
        Behind(
            site=lambda: service.site,
            state=lambda: service.durable,
            live=service.live,
            status=service.status,
            last_read=service.fleet.last_read,
            journal=Journal.open(journal),
            ask=ask,
            passed=lambda given, by: service.passed(given, by=by),
            commands=commands.COMMANDS,
            passwords=Passwords(beside(journal)),
            now=SystemClock().utc,
            monotonic=monotonic,
            version=service.ports.version,
            known=Advisories(site_file),
            zone=machine_zone,
            outages=partial(read_outages, site_file),
            evidence=EvidenceApart(journal).make,
        )
    )


class PageOutput:
    """What the pump feeds: what is durable goes on to whoever has the page open."""

    name = NAME

    def __init__(self, page: Page, settings: Settings, folder: Path) -> None:
        chance = random.Random()  # noqa: S311 - spreads tries, hides nothing
        self._page = page
        self._served = Served(page, settings, folder, chance)

    async def run(self) -> None:
        await first_to_fail(self._served.run(), self._page.attend())

    async def deliver(self, events: Sequence[Recorded], state: State) -> int:
        self._page.feed.tell(events, state)
        return events[-1].seq if events else state.seq

    def status(self) -> OutputStatus:
        return OutputStatus(connected=self._served.listens, says=self._served.says)


def page_problems(site: Site, site_file: Path, journal: Path) -> list[Problem]:
    """What a page on a network needs and no file of the site can say: somebody who may see it."""
    page = site.file.page
    if page is None or page.on_loopback or _has_users(journal):
        return []
    return [
        Problem(
            code="site-page-users",
            file=str(site_file),
            at="page.host",
            what=f"nobody is known who may see the page, so it is not served on {page.host}",
            mend="add somebody: bayroll user add NAME --role security_administrator",
        )
    ]


def _has_users(journal: Path) -> bool:
    try:
        with Journal.open(journal) as found:
            return bool(found.state().users)
    except JournalUnusable:
        return False
