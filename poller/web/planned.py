"""What is due and what advisories say, made beside the loop: it may take reading a folder."""

from __future__ import annotations

from dataclasses import dataclass

from poller.answers.advisories import AdvisoryRow, advisory_rows
from poller.answers.due import DueRow, FetchRow, due_rows, fetch_rows
from poller.model.problems import Problem
from poller.model.standing import State
from poller.planning.due import due
from poller.planning.fetch import to_fetch
from poller.planning.known import Known
from poller.web.page import Page


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """All of it at one moment."""

    known: Known
    due: tuple[DueRow, ...]
    fetch: tuple[FetchRow, ...]
    advisories: tuple[AdvisoryRow, ...]

    @property
    def unusable(self) -> tuple[Problem, ...]:
        """Documents that were not held against anything."""
        return self.known.held.unusable


async def told(page: Page, state: State) -> Told:
    """Of that state. Raises Busy."""
    behind = page.behind
    site, now, live = behind.site(), behind.now(), behind.live()

    def make() -> Told:
        known = behind.known(site, state)
        found = due(state, site, known.held, known.concerned, live, now)
        return Told(
            known=known,
            due=due_rows(found, state),
            fetch=fetch_rows(to_fetch(found, state), state),
            advisories=advisory_rows(known.held, known.concerned, state),
        )

    return await behind.threads.do(make)
