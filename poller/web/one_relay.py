"""What the page and the API tell of one relay beside its picture in values: history, what is due,
registers as they came."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Annotated, Final, TypeAlias

from fastapi import APIRouter, Depends, HTTPException, Path, Query
from fastapi.responses import JSONResponse, Response

from poller.answers.due import DueRow, due_rows
from poller.answers.registers import Registers, registers
from poller.answers.timeline import KINDS, Timeline, timeline
from poller.journal import Sought
from poller.model import limits
from poller.model.canonical import plain
from poller.model.standing import State
from poller.planning.due import due
from poller.web.behind import Behind
from poller.web.page import Page, page_of

router = APIRouter()  # part of the API's
ThePage = Annotated[Page, Depends(page_of)]
Name: TypeAlias = Annotated[str, Path(min_length=1, max_length=limits.TEXT_MAX)]

SPANS: Final[dict[str, tuple[str, timedelta]]] = {
    "10min": ("10 minutes", timedelta(minutes=10)),
    "1h": ("an hour", timedelta(hours=1)),
    "1d": ("a day", timedelta(days=1)),
    "7d": ("7 days", timedelta(days=7)),
    "30d": ("30 days", timedelta(days=30)),
    "1y": ("a year", timedelta(days=365)),
    "10y": ("10 years", timedelta(days=3652)),
}
"""How far back a history goes, in words."""
OF_LATE: Final = 20  # events that a span chosen by nobody is to hold
STARTS_MAX: Final = 50  # of the poller within a span that are looked at


@dataclass(frozen=True, slots=True, kw_only=True)
class Dues:
    """due: None: nothing is."""

    seq: int
    due: DueRow | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Raw:
    """read: None: it was not read since the poller started."""

    read: Registers | None


def known(state: State, relay: str) -> str:
    """Raises HTTPException for an id that was never listed."""
    if relay not in state.relays:
        raise HTTPException(404, "no such relay")
    return relay


def history(behind: Behind, state: State, relay: str, span: str | None) -> tuple[Timeline, str]:
    """And the name of its span, which is chosen where none is asked for. Reads the journal."""
    now = behind.now()
    if span is None:
        span = _fitting(behind, relay, now)
    first = now - SPANS[span][1]
    sought = Sought(subjects=(relay,), kinds=KINDS, since=first)
    found = behind.journal.page(sought, limit=limits.TIMELINE_EVENTS_MAX)
    oldest = behind.journal.history(subject=relay, limit=1)
    if oldest and found.older is None:  # nothing is to be seen before it was listed
        first = min(max(first, oldest[0].event.at), now)
    told = timeline(
        state,
        relay,
        found.events,
        first=first,
        last=now,
        whole=found.older is None,
        stops=tuple(_stops(behind, first)),
    )
    return told, span


def _fitting(behind: Behind, relay: str, now: datetime) -> str:
    """The shortest that holds what happened of late."""
    late = behind.journal.page(Sought(subjects=(relay,), kinds=KINDS), limit=OF_LATE).events
    age = now - late[-1].event.at if late else timedelta(0)
    return next((name for name, (_, span) in SPANS.items() if age < span), "10y")


def _stops(behind: Behind, first: datetime) -> Iterator[tuple[datetime, datetime]]:
    """From the last event before each start of the poller."""
    sought = Sought(kinds=("service_started",), since=first)
    for start in behind.journal.page(sought, limit=STARTS_MAX).events:
        for before in behind.journal.read(start.seq - 2, 1):
            if before.seq < start.seq:
                yield before.event.at, start.event.at


def due_of(behind: Behind, state: State, relay: str) -> DueRow | None:
    """As bayroll due --relay. Reads a folder of advisories."""
    site, reading = behind.site(), behind.live().get(relay)
    told = behind.known(site, state)
    readings = {} if reading is None else {relay: reading}
    found = due(state, site, told.held, told.concerned, readings, behind.now(), only=relay)
    return next(iter(due_rows(found, state)), None)


def raw(behind: Behind, relay: str) -> Registers | None:
    """Decodes, so beside the loop."""
    last = behind.last_read(relay)
    if last is None or not last.blocks:
        return None
    return registers(last, behind.site().texts, behind.now())


async def _answer(page: Page, make: Callable[[], object]) -> Response:
    return await page.behind.threads.do(lambda: JSONResponse(plain(make())))


@router.get("/relays/{relay}/timeline", response_model=Timeline)
async def its_timeline(
    page: ThePage, relay: Name, span: Annotated[str | None, Query(max_length=8)] = None
) -> Response:
    """What happened to it and how it stood meanwhile, in lanes. span: 10min, 1h, 1d, 7d, 30d, 1y,
    10y until now; without it the shortest that holds what happened of late."""
    behind, state = page.behind, page.behind.state()
    if span is not None and span not in SPANS:
        raise HTTPException(422, f"span: use one of {', '.join(SPANS)}")
    known(state, relay)
    return await _answer(page, lambda: history(behind, state, relay, span)[0])


@router.get("/relays/{relay}/due", response_model=Dues)
async def its_due(page: ThePage, relay: Name) -> Response:
    """What is due of it, by which way, and what stands in the way of the first step."""
    behind, state = page.behind, page.behind.state()
    known(state, relay)
    return await _answer(page, lambda: Dues(seq=state.seq, due=due_of(behind, state, relay)))


@router.get("/relays/{relay}/registers", response_model=Raw)
async def its_registers(page: ThePage, relay: Name) -> Response:
    """Registers of its last reading as they came, with what its map makes of each and where that
    stands."""
    known(page.behind.state(), relay)
    return await _answer(page, lambda: Raw(read=raw(page.behind, relay)))
