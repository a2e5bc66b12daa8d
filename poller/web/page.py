"""The page as one thing: what is behind it, who is signed in, who listens, and how it is drawn."""

from __future__ import annotations

from dataclasses import dataclass, field

from fastapi import Request

from poller.web.behind import Behind
from poller.web.drawing import Drawing
from poller.web.feed import Feed
from poller.web.sessions import Sessions


@dataclass(slots=True)
class Page:
    """Lives as long as the service; its server may come and go."""

    behind: Behind
    sessions: Sessions = field(init=False)
    feed: Feed = field(init=False)
    drawing: Drawing = field(init=False)

    def __post_init__(self) -> None:
        self.sessions = Sessions(self.behind)
        self.feed = Feed(
            live=self.behind.live, now=self.behind.now, monotonic=self.behind.monotonic
        )
        self.drawing = Drawing(self.behind)

    def close(self) -> None:
        self.behind.threads.close()
        self.behind.journal.close()


async def page_of(request: Request) -> Page:
    """Async as all that routes depend on: FastAPI would take a thread for it otherwise."""
    page: Page = request.app.state.page
    return page
