"""The API to look: the same answers as the command line gives with --json, from durable state."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from typing import Annotated, Any, TypeAlias, TypeVar

from fastapi import APIRouter, Depends, HTTPException, Path, Query
from fastapi.responses import JSONResponse, Response

from poller.alarms.measures import Measures
from poller.answers import alarms, firmware, investigations, listing, one, one_alarm, work
from poller.journal.period import measures_of
from poller.model import limits
from poller.model.canonical import plain
from poller.model.users import USERS
from poller.site.shipped_alarms import catalogue_of
from poller.web import events, one_relay
from poller.web.page import Page, page_of
from poller.web.shapes import (
    REFUSALS,
    Alarms,
    Approved,
    Investigations,
    Relays,
    UserRow,
    Works,
)
from poller.web.who import Somebody, allowed, person

router = APIRouter(tags=["look"], dependencies=[Depends(person)], responses=REFUSALS)
router.include_router(events.router)
router.include_router(one_relay.router)
ThePage = Annotated[Page, Depends(page_of)]
Name: TypeAlias = Annotated[str, Path(min_length=1, max_length=limits.TEXT_MAX)]
T = TypeVar("T")


async def answer(page: Page, make: Callable[[], object]) -> Response:
    """What it makes, beside the loop."""
    return await page.behind.threads.do(lambda: JSONResponse(plain(make())))


def known(found: T | None, what: str) -> T:
    if found is None:
        raise HTTPException(404, f"no such {what}")
    return found


@router.get("/relays", response_model=Relays)
async def relays(page: ThePage) -> Response:
    """Every listed relay by bay and function."""
    state, live, now = page.behind.state(), page.behind.live(), page.behind.now()
    return await answer(page, lambda: Relays(seq=state.seq, relays=listing.rows(state, live, now)))


@router.get("/relays/{relay}", response_model=one.Picture)
async def relay(page: ThePage, relay: Name) -> Response:
    """All that is known of one relay, also of one that is listed no more."""
    state, reading, now = page.behind.state(), page.behind.live().get(relay), page.behind.now()
    known(state.relays.get(relay), "relay")
    return await answer(page, lambda: one.picture(state, relay, reading, now))


@router.get("/alarms", response_model=Alarms)
async def every_alarm(page: ThePage, everything: bool = False) -> Response:
    """Those that stand. everything: also kept back, waiting for a delay, and once there."""
    state, now = page.behind.state(), page.behind.now()
    catalogue = catalogue_of(page.behind.site())
    parts = tuple(alarms.Part) if everything else (alarms.Part.ANNUNCIATED,)
    return await answer(
        page,
        lambda: Alarms(
            seq=state.seq,
            counts=alarms.counted(state),
            alarms=alarms.rows(state, now, catalogue, parts=parts),
        ),
    )


@router.get("/alarms/{alarm}", response_model=one_alarm.AlarmPicture)
async def alarm(page: ThePage, alarm: Name) -> Response:
    """All of one alarm."""
    state, now = page.behind.state(), page.behind.now()
    found = known(state.alarms.get(alarm), "alarm")
    catalogue = catalogue_of(page.behind.site())
    return await answer(page, lambda: one_alarm.picture(found, state, now, catalogue))


@router.get("/measures", response_model=Measures)
async def measures(page: ThePage, days: Annotated[int, Query(ge=1, le=366)] = 30) -> Response:
    """The figures of ISA-18.2 for the alarms of so many days until now."""
    behind, now = page.behind, page.behind.now()
    catalogue = catalogue_of(behind.site())

    def make() -> object:
        first = now - timedelta(days=days)
        return known(measures_of(behind.journal, first, now, catalogue), "period of the journal")

    return await answer(page, make)


@router.get("/work", response_model=Works)
async def every_work(page: ThePage, everything: bool = False) -> Response:
    """Work by the start of its window. everything: closed and cancelled work too."""
    state, now = page.behind.state(), page.behind.now()
    return await answer(
        page, lambda: Works(seq=state.seq, work=work.rows(state, now, ended=everything))
    )


@router.get("/work/{work_id}", response_model=work.WorkPicture)
async def one_work(page: ThePage, work_id: Name) -> Response:
    """One piece of work: its plan, what stands in the way, how it came out line by line."""
    state, site, now = page.behind.state(), page.behind.site(), page.behind.now()
    found = known(state.works.get(work_id), "work")
    reading = page.behind.live().get(found.plan.relay)
    return await answer(page, lambda: work.asked(found, state, site, reading, now))


@router.get("/investigations", response_model=Investigations)
async def every_investigation(page: ThePage, everything: bool = False) -> Response:
    """Changes that nobody planned, the oldest first. everything: closed ones too."""
    state, now = page.behind.state(), page.behind.now()
    return await answer(
        page,
        lambda: Investigations(
            seq=state.seq, investigations=investigations.rows(state, now, closed=everything)
        ),
    )


@router.get("/approved", response_model=Approved)
async def approved(page: ThePage) -> Response:
    """Every firmware of every relay against the approved list."""
    state, now = page.behind.state(), page.behind.now()
    return await answer(
        page, lambda: Approved(seq=state.seq, firmware=firmware.firmware_rows(state, now))
    )


@router.get("/status")
async def status(page: ThePage, person: Somebody) -> dict[str, Any]:
    """What the service does, what waits, which outputs are behind; as bayroll status --json."""
    return page.behind.status() | {"alarms": plain(alarms.counted(page.behind.state()))}


@router.get("/users", response_model=list[UserRow], dependencies=[Depends(allowed(USERS))])
async def users(page: ThePage) -> Response:
    """Who may sign in, and in which roles."""
    state = page.behind.state()
    told = [UserRow(user=name, roles=one.roles) for name, one in sorted(state.users.items())]
    return JSONResponse([plain(row) for row in told])
