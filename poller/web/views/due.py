"""What is due of each relay and maker, by which way; what to fetch; what advisories say."""

from __future__ import annotations

from typing import Annotated, Any, Final
from urllib.parse import urlencode

from fastapi import APIRouter, Depends, Query
from fastapi.responses import Response

from poller.answers.advisories import PRESSING
from poller.answers.due import DueRow, fetch_csv, fetch_text
from poller.answers.words import position
from poller.model import limits
from poller.model.standing import State
from poller.model.text import shown
from poller.planning.advisories import Verdict
from poller.planning.boxes import unread
from poller.planning.reasons import Cause
from poller.web.page import Page, page_of
from poller.web.planned import told
from poller.web.who import Somebody

router = APIRouter()
ThePage = Annotated[Page, Depends(page_of)]
From = Annotated[int, Query(alias="from", ge=1, le=limits.RELAYS_MAX)]
AT_ONCE: Final = 100  # entries of the list on one page
LINES_TOLD: Final = 200  # of advisories on one page; the API has all
NAMES_TOLD: Final = 20

GRAVE: Final = frozenset(
    one.name.lower()
    for one in (Cause.FAILURE_TO_TRIP, Cause.MISOPERATION, Cause.WITHDRAWN, Cause.AFFECTED)
)
VERDICTS: Final = {
    Verdict.AFFECTED: ("bad", "▲"),
    Verdict.NEEDS_A_PERSON: ("warn", "?"),
    Verdict.UNDER_INVESTIGATION: ("none", "…"),
    Verdict.FIXED: ("fine", "✓"),
    Verdict.NOT_AFFECTED: ("none", "○"),
}


@router.get("/due")
async def whole(page: ThePage, person: Somebody, first: From = 1) -> Response:
    state = page.behind.state()
    values = await _values(page, state, first)
    return await page.drawing.whole(person, "due.html", state=state, **values)


@router.get("/due/list")
async def part(page: ThePage, person: Somebody, first: From = 1) -> Response:
    """For a page that stands already."""
    values = await _values(page, page.behind.state(), first)
    return await page.drawing.part(person, "due_list.html", **values)


@router.get("/due/fetch.csv")
async def fetch(page: ThePage, person: Somebody) -> Response:
    """What to fetch, for a spreadsheet."""
    found = await told(page, page.behind.state())
    return Response(
        fetch_csv(found.fetch),
        media_type="text/csv; charset=utf-8",
        headers={"content-disposition": 'attachment; filename="bayroll-to-fetch.csv"'},
    )


async def _values(page: Page, state: State, first: int) -> dict[str, Any]:
    found = await told(page, state)
    names, blind = found.known.held.elsewhere, unread(state)
    return {
        "rows": found.due[first - 1 : first - 1 + AT_ONCE],
        "all": len(found.due),
        "waiting": sum(row.waits_until is not None for row in found.due),
        "first": first,
        "next": first + AT_ONCE if first - 1 + AT_ONCE < len(found.due) else None,
        "plan": plan,
        "GRAVE": GRAVE,
        "VERDICTS": VERDICTS,
        "fetch": found.fetch,
        "fetch_text": fetch_text(found.fetch),
        "pressing": [row for row in found.advisories if row.verdict in PRESSING],
        "others": [row for row in found.advisories if row.verdict not in PRESSING],
        "LINES_TOLD": LINES_TOLD,
        "unusable": found.unusable,
        "named": found.known.named,
        "names": [
            (shown(file), None if vendor is None else shown(vendor), shown(product))
            for file, vendor, product in names[:NAMES_TOLD]
        ],
        "names_more": max(0, len(names) - NAMES_TOLD),
        "blind": [(name, position(name, state)) for name in blind[:NAMES_TOLD]],
        "blind_more": max(0, len(blind) - NAMES_TOLD),
    }


def plan(row: DueRow) -> str | None:
    """Where the first step of its way is planned; None: there is none, or work is open already."""
    way = next((one for one in row.ways if one.steps), None)
    if row.relay is None or way is None or row.work:
        return None
    step = way.steps[0]
    asked = {"relay": row.relay, "kind": step.direction}
    if way.attribute == "swRev":
        asked["to"] = step.version_to
    else:
        asked["expects"] = f"{way.attribute}={step.version_to}"
    return f"/work?{urlencode(asked)}#plan"
