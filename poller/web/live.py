"""The stream of what moved, for pages that stay open."""

from __future__ import annotations

import contextlib
from collections.abc import AsyncIterator
from typing import Annotated, Any, Final

from fastapi import APIRouter, Depends, Header, Query, Request
from fastapi.responses import Response, StreamingResponse

from poller.model.users import LOOK
from poller.web.page import Page, page_of
from poller.web.shapes import REFUSALS
from poller.web.who import Somebody, cookie

router = APIRouter(tags=["live"])
SEQ_MAX: Final = 2**63 - 1
STREAM: Final[dict[int | str, dict[str, Any]]] = {
    200: {"content": {"text/event-stream": {"schema": {"type": "string"}}}}
}


@router.get(
    "/changes",
    response_class=StreamingResponse,
    responses=STREAM | REFUSALS,
)
async def changes(
    request: Request,
    page: Annotated[Page, Depends(page_of)],
    person: Somebody,
    after: Annotated[int | None, Query(ge=0, le=SEQ_MAX)] = None,
    last_event_id: Annotated[str | None, Header()] = None,
) -> Response:
    """Server-sent events: what moved since the event `after`, or since the header Last-Event-ID.

    moved: ids of relays, alarms, work and investigations, or all; read: of relays, when each was
    last read and how good that is; ended: this session is over.
    """
    with contextlib.suppress(ValueError):
        if last_event_id is not None and 0 <= int(last_event_id) <= SEQ_MAX:
            after = int(last_event_id)
    token = cookie(request)

    def welcome() -> bool:
        here = page.sessions.person(token, by_hand=False)
        return here is not None and here.may(LOOK)

    stream = page.feed.stream(after, welcome)
    first = await anext(stream)  # raises Full before anything is answered

    async def told() -> AsyncIterator[bytes]:
        try:
            yield first
            async for message in stream:
                yield message
        finally:
            await stream.aclose()

    return StreamingResponse(told(), media_type="text/event-stream")
