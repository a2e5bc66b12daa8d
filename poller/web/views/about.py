"""What this is: its version, ports and parts for the asset record, and what to mind."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends
from fastapi.responses import Response

from poller.web.about import about as told
from poller.web.page import Page, page_of
from poller.web.who import Somebody

router = APIRouter()


@router.get("/about")
async def about(page: Annotated[Page, Depends(page_of)], person: Somebody) -> Response:
    site, own = page.behind.site(), page.behind.version
    made = await page.behind.threads.do(lambda: told(site, own))
    return await page.drawing.whole(person, "about.html", about=made)
