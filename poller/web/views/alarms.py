"""The alarms in the states of ISA-18.2 and IEC 62682: what stands, is kept back, or waits."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any, Final

from fastapi import APIRouter, Depends
from fastapi.responses import Response

from poller.answers.alarms import AlarmRow, Part, counted, rows
from poller.model.standing import State
from poller.site.shipped_alarms import catalogue_of
from poller.web.page import Page, page_of
from poller.web.who import Somebody

router = APIRouter()
ThePage = Annotated[Page, Depends(page_of)]
HERE: Final = "bayroll"  # where a catalogue has them acknowledged that says: in Bayroll itself
PARTS: Final = (Part.ANNUNCIATED, Part.KEPT_BACK, Part.WAITING)


BOARDS: Final[dict[str, Callable[[AlarmRow], bool]]] = {
    "Alarms": lambda row: row.part is Part.ANNUNCIATED and row.for_operator,
    "Notices": lambda row: row.part is Part.ANNUNCIATED and not row.for_operator,
    "Kept back": lambda row: row.part is Part.KEPT_BACK,
    "Waiting for a delay": lambda row: row.part is Part.WAITING,
}


@router.get("/alarms")
async def alarms(page: ThePage, person: Somebody) -> Response:
    state = page.behind.state()
    values = await _values(page, state)
    return await page.drawing.whole(person, "alarms.html", state=state, **values)


@router.get("/alarms/list")
async def part(page: ThePage, person: Somebody) -> Response:
    """The list for a page that stands already."""
    return await page.drawing.part(
        person, "alarm_list.html", **await _values(page, page.behind.state())
    )


@router.get("/stand")
async def stand(page: ThePage, person: Somebody) -> Response:
    """How many stand, for the head of every view."""
    return await page.drawing.part(person, "stand.html", counts=counted(page.behind.state()))


async def _values(page: Page, state: State) -> dict[str, Any]:
    now, site = page.behind.now(), page.behind.site()
    catalogue = catalogue_of(site)
    found = await page.behind.threads.do(lambda: rows(state, now, catalogue, parts=PARTS))
    return {
        "parts": [(head, [row for row in found if has(row)]) for head, has in BOARDS.items()],
        "here": catalogue.acknowledged_over == HERE,
        "over": catalogue.acknowledged_over,
        "hours": range(1, catalogue.shelving_max_h + 1),
    }
