"""How well the alarms of a period could be dealt with: each figure drawn beside its target."""

from __future__ import annotations

from datetime import timedelta
from typing import Annotated, Any, Final

from fastapi import APIRouter, Depends, Query
from fastapi.responses import Response

from poller.answers.measures import TOO_SHORT, Stands, number, source, stands
from poller.journal.period import measures_of
from poller.model.text import shown
from poller.site.shipped_alarms import catalogue_of
from poller.web.gauge import gauge
from poller.web.page import Page, page_of
from poller.web.who import Somebody

router = APIRouter()
ThePage = Annotated[Page, Depends(page_of)]
Days = Annotated[int, Query(ge=1, le=366)]
PERIODS: Final = (1, 7, 30, 90, 366)
MARKS: Final = {
    Stands.WITHIN: ("fine", "✓"),
    Stands.ABOVE: ("bad", "▲"),
    Stands.MANAGEABLE: ("warn", "△"),
    Stands.BEYOND: ("bad", "▲"),
    Stands.BESIDE: ("none", "○"),
    Stands.UNKNOWN: ("none", "–"),
}
WORDS: Final[dict[str, Any]] = {
    "gauge": gauge,
    "number": number,
    "stands": stands,
    "MARKS": MARKS,
    "PERIODS": PERIODS,
    "TOO_SHORT": TOO_SHORT,
}


@router.get("/alarms/measures")
async def measures(page: ThePage, person: Somebody, days: Days = 30) -> Response:
    return await page.drawing.whole(person, "measures.html", **await _values(page, days), **WORDS)


@router.get("/alarms/measures/list")
async def part(page: ThePage, person: Somebody, days: Days = 30) -> Response:
    """For a page that stands already."""
    return await page.drawing.part(
        person, "measures_list.html", **await _values(page, days), **WORDS
    )


async def _values(page: Page, days: int) -> dict[str, Any]:
    behind, now = page.behind, page.behind.now()
    catalogue = catalogue_of(behind.site())

    def make() -> dict[str, Any]:
        found = measures_of(behind.journal, now - timedelta(days=days), now, catalogue)
        figures = () if found is None else found.figures
        sources = list(dict.fromkeys(source(one) for one in figures))
        lists = (
            ()
            if found is None
            else (
                ("chattering", found.chattering),
                ("fleeting", found.fleeting),
                ("stale", found.stale),
            )
        )
        return {
            "days": days,
            "found": found,
            "figures": [(one, sources.index(source(one)) + 1) for one in figures],
            "sources": sources,
            "top": [] if found is None else [(shown(name), count) for name, count in found.top],
            "lists": [(word, list(map(shown, names))) for word, names in lists if names],
        }

    return await behind.threads.do(make)
