"""The inventory as a file, to take away from the page or by a program."""

from __future__ import annotations

from typing import Annotated, Any, Final

from fastapi import APIRouter, Depends, Query
from fastapi.responses import Response

from poller.answers.cyclonedx import Spec
from poller.answers.inventory import Inventory, inventory
from poller.answers.inventory_files import Format, written
from poller.journal.as_of import as_of
from poller.web.page import Page, page_of
from poller.web.shapes import REFUSALS
from poller.web.who import person

CYCLONEDX: Final = "application/vnd.cyclonedx+json"
KINDS: Final = {
    Format.CYCLONEDX: (CYCLONEDX, "bayroll-inventory.cdx.json"),
    Format.CSV: ("text/csv; charset=utf-8", "bayroll-inventory.csv"),
    Format.JSON: ("application/json", "bayroll-inventory.json"),
}
"""Media type and name of the file. Sources: IANA's registry, RFC 4180 (from memory)."""
CONTENT: Final[dict[int | str, dict[str, Any]]] = {
    200: {
        "model": Inventory,
        "content": {CYCLONEDX: {"schema": {"type": "object"}}, "text/csv": {}},
        "description": "the file that was asked for",
    }
}

router = APIRouter(tags=["look"], dependencies=[Depends(person)])
ThePage = Annotated[Page, Depends(page_of)]


@router.get("/inventory", responses=CONTENT | REFUSALS)
async def file(
    page: ThePage,
    format_: Annotated[Format, Query(alias="format")] = Format.JSON,
    spec: Spec = Spec.V1_6,
) -> Response:
    """Every relay and spare with all of its firmware. spec: the version of CycloneDX."""
    state, behind = page.behind.state(), page.behind

    def make() -> bytes:
        told = inventory(state, as_of(behind.journal, state))
        return written(told, format_, spec, behind.version)

    kind, name = KINDS[format_]
    if format_ is Format.CYCLONEDX:
        kind += f"; version={spec}"
    headers = {"content-disposition": f'attachment; filename="{name}"'}
    return Response(await behind.threads.do(make), media_type=kind, headers=headers)
