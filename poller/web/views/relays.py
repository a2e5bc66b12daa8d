"""The roll: every position by bay, what stands in it, and what a person should look at."""

from __future__ import annotations

from typing import Annotated, Any, Final

from fastapi import APIRouter, Depends, Query
from fastapi.responses import RedirectResponse, Response

from poller.answers.listing import Row, rows
from poller.answers.work_words import GRAVEST
from poller.judging.firmware_status import ALLOWED
from poller.model import limits
from poller.model.standing import State
from poller.model.status import Behaviour, Health
from poller.model.work import FirmwareStatus
from poller.web.page import Page, page_of
from poller.web.who import Somebody

router = APIRouter()
ThePage = Annotated[Page, Depends(page_of)]

KINDS: Final = {
    "look": "to be looked at",
    "silent": "not answering",
    "flags": "a flag is up",
    "list": "not as approved",
    "differs": "not as accepted",
    "health": "health not ok",
    "open": "work or an investigation open",
    "paused": "paused",
}
"""What a person may ask to see alone, in words."""
NOTHING_TO_SAY: Final = ALLOWED | {FirmwareStatus.NO_RULE, None}


def kinds(row: Row) -> tuple[str, ...]:
    """Which of KINDS the relay is."""
    holds = {
        "silent": row.answering is False and not row.paused,
        "flags": bool(row.flags or row.troubles),
        "list": row.firmware_status not in NOTHING_TO_SAY,
        "differs": row.baseline == "differs",
        "health": row.health not in (None, Health.OK) or row.behaviour not in (None, Behaviour.ON),
        "open": bool(row.work or row.investigations),
        "paused": row.paused,
    }
    found = [kind for kind, so in holds.items() if so]
    return ("look", *found) if set(found) - {"open", "paused"} else tuple(found)


def gravity(row: Row) -> int:
    """Where its firmware status stands in a list, the gravest first."""
    return len(GRAVEST) if row.firmware_status is None else GRAVEST.index(row.firmware_status)


def weight(row: Row) -> str:
    """How its firmware status is marked, beside the word for it."""
    return weight_of(row.firmware_status)


def weight_of(status: FirmwareStatus | None) -> str:
    match status:
        case FirmwareStatus.CURRENT:
            return "fine"
        case FirmwareStatus.WITHDRAWN | FirmwareStatus.NOT_APPROVED:
            return "bad"
        case FirmwareStatus.NEWER_THAN_TARGET | FirmwareStatus.NOT_COMPARABLE:
            return "warn"
        case _:
            return "none"


WORDS: Final[dict[str, Any]] = {"kinds": kinds, "gravity": gravity, "weight": weight}


@router.get("/")
async def start() -> Response:
    return RedirectResponse("/relays", 303)


@router.get("/relays")
async def relays(page: ThePage, person: Somebody) -> Response:
    state = page.behind.state()
    table = await _rows(page, state)
    return await page.drawing.whole(
        person, "relays.html", state=state, rows=table, **WORDS, says=KINDS
    )


@router.get("/roll")
async def some(
    page: ThePage,
    person: Somebody,
    relay: Annotated[list[str] | None, Query(max_length=limits.PAGE_ROWS_MAX)] = None,
) -> Response:
    """Rows for a page that stands already; all of them where none is named."""
    table = await _rows(page, page.behind.state())
    wanted = set(relay or ())
    return await page.drawing.part(
        person,
        "relay_rows.html",
        rows=[row for row in table if not wanted or row.id in wanted],
        **WORDS,
    )


async def _rows(page: Page, state: State) -> tuple[Row, ...]:
    live, now = page.behind.live(), page.behind.now()
    return await page.behind.threads.do(lambda: rows(state, live, now))
