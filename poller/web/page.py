"""The page as one thing: what is behind it, who is signed in, who listens, and how it is drawn."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field
from typing import Final

from fastapi import Request

from poller.journal.spread import SpreadSoFar
from poller.web.access import Access
from poller.web.behind import Behind
from poller.web.drawing import Drawing
from poller.web.feed import Feed
from poller.web.sessions import Sessions

ATTEND_S: Final = 10.0


@dataclass(slots=True)
class Page:
    """Lives as long as the service; its server may come and go."""

    behind: Behind
    access: Access = field(init=False)
    sessions: Sessions = field(init=False)
    feed: Feed = field(init=False)
    drawing: Drawing = field(init=False)
    spread: SpreadSoFar = field(init=False)

    def __post_init__(self) -> None:
        self.access = Access(self.behind)
        self.sessions = Sessions(self.behind, self.access)
        self.feed = Feed(
            live=self.behind.live, now=self.behind.now, monotonic=self.behind.monotonic
        )
        self.drawing = Drawing(self.behind)
        self.spread = SpreadSoFar(self.behind.journal)

    async def attend(self) -> None:
        """Tells what time brings: sessions that are over, and what was counted."""
        while True:
            await asyncio.sleep(ATTEND_S)
            await self.sessions.sweep()
            await self.access.tell()

    def close(self) -> None:
        self.behind.threads.close()
        self.behind.journal.close()


async def page_of(request: Request) -> Page:
    """Async as all that routes depend on: FastAPI would take a thread for it otherwise."""
    page: Page = request.app.state.page
    return page
