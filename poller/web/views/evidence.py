"""Evidence for an auditor: a span is chosen, and its bundle comes as one file."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Annotated, Final

from fastapi import APIRouter, Depends, Request
from fastapi.responses import Response

from poller.model.canonical import Utc
from poller.model.refusal import Refusal
from poller.model.users import EVIDENCE
from poller.web.page import Page, page_of
from poller.web.sessions import Person
from poller.web.views.acts import Fields, form
from poller.web.who import allowed

router = APIRouter()
ThePage = Annotated[Page, Depends(page_of)]
Auditor = Annotated[Person, Depends(allowed(EVIDENCE))]
HERE: Final = "/evidence"
ONE: Final = timedelta(days=1)
USUAL: Final = timedelta(days=90)  # a quarter


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """Of the journal: its oldest event, and how many retention removed."""

    oldest: Utc | None
    pruned: int


@router.get(HERE)
async def choose(page: ThePage, person: Auditor) -> Response:
    today = page.behind.now().date()
    reader = page.behind.journal.reader

    def kept() -> Kept:
        oldest = reader.read(0, 1)
        return Kept(oldest=oldest[0].event.at if oldest else None, pruned=reader.start().seq)

    return await page.drawing.whole(
        person,
        "evidence.html",
        first=today - USUAL,
        last=today,
        kept=await page.behind.threads.do(kept),
    )


@router.post(f"{HERE}/bundle")
async def bundle(request: Request, page: ThePage, person: Auditor) -> Response:
    """The zip; or, where there can be none, why."""
    told = await form(request, person)
    try:
        first, last = _day(told, "from"), _day(told, "to")
        if last < first:
            raise Refusal("the last day is before the first")
        begins, ends = (datetime.combine(day, time(), UTC) for day in (first, last + ONE))
        made = await page.behind.evidence(begins, min(ends, page.behind.now()), "hide" in told)
    except Refusal as reason:
        return await page.drawing.whole(
            person, "refused.html", status=409, reason=str(reason), back=HERE
        )
    name = f"bayroll-evidence-{page.behind.site().file.site}-{first}-{last}.zip"
    return Response(
        made,
        media_type="application/zip",
        headers={"content-disposition": f'attachment; filename="{name}"'},
    )


def _day(told: Fields, name: str) -> date:
    """Raises Refusal."""
    try:
        found = date.fromisoformat(told.get(name, [""])[0])
    except ValueError as reason:
        raise Refusal(f"the day under {name} is none: write it as 2026-03-31") from reason
    if not 2000 <= found.year < 9999:
        raise Refusal(f"the day under {name}: nothing was recorded in the year {found.year}")
    return found
