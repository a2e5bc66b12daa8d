"""The application: guard, routes of views and API, and what is said where a request fails."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from typing import Any, Final, TypeAlias
from urllib.parse import quote

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, RedirectResponse, Response
from starlette.exceptions import HTTPException
from starlette.responses import PlainTextResponse

from poller.journal import JournalUnusable
from poller.model.problems import Faulty
from poller.model.refusal import Refusal
from poller.model.text import shown
from poller.model.users import LOOK
from poller.web import about, api, commands, files, inventory, live, metrics, planning_api, sign_in
from poller.web.behind import Busy
from poller.web.feed import Full
from poller.web.guard import App, Guard, Message
from poller.web.page import Page
from poller.web.views import VIEWS
from poller.web.who import LIVE, NotAllowed, SignInFirst, address, cookie

API: Final = "/api/v1"
BUSY: Final = 500  # from here on it is the server that can't
HEADINGS: Final = {403: "Not allowed", 404: "Not there"}
SAID: Final = {"Not Found": "There is nothing at this address."}
Answer: TypeAlias = Callable[[Request, Exception], Awaitable[Response]]
SAYS = (
    "What Bayroll knows of a substation's relays, as its command line tells it with --json. "
    "Where people are known, sign in first: POST /api/v1/session."
)


def ready_app(page: Page) -> App:
    """As make_app, with all made that is else made at the first request: a second's work and more.

    For a thread that has no loop; the poller's own must not wait for it.
    """
    app = make_app(page)
    asyncio.run(_warm(app))
    return app


async def _warm(app: App) -> None:
    async def receive() -> Message:
        return {"type": "http.request", "body": b"", "more_body": False}

    async def send(message: Message) -> None:
        pass

    for path in ("/nothing", f"{API}/openapi.json"):
        scope = {
            "type": "http",
            "http_version": "1.1",
            "method": "GET",
            "scheme": "http",
            "path": path,
            "raw_path": path.encode(),
            "root_path": "",
            "query_string": b"",
            "headers": [(b"host", b"localhost")],
            "server": ("localhost", 80),
            "client": ("127.0.0.1", 0),
        }
        await app(scope, receive, send)


def make_app(page: Page) -> App:
    """One for each page."""
    return guarded(routes(page.behind.commands, page.behind.version), page)


def guarded(app: FastAPI, page: Page) -> App:
    """The routes, with this page behind them."""
    app.state.page = page
    return Guard(app, lambda: page.behind.site().file.page)


def routes(known: Mapping[str, type], version: str) -> FastAPI:
    """known: name of a command to the type of its values."""
    app = FastAPI(
        title="Bayroll",
        version=version,
        description=SAYS,
        openapi_url=f"{API}/openapi.json",
        docs_url=None,  # they would be fetched from elsewhere
        redoc_url=None,
    )
    looking = (api.router, planning_api.router, inventory.router, about.router, live.router)
    for router in (sign_in.api, *looking, commands.routes(known)):
        app.include_router(router, prefix=API)
    for router in (metrics.router, files.router, sign_in.views, *(view.router for view in VIEWS)):
        app.include_router(router, include_in_schema=router is metrics.router)
    for kind, answer in ANSWERS.items():
        app.add_exception_handler(kind, answer)
    return app


async def _refused(
    request: Request, status: int, says: str, headers: Mapping[str, str]
) -> Response:
    """For programs in JSON; in a browser of somebody who may look, in the frame of the page, with
    a way back; else as a line."""
    if request.url.path.startswith(API):
        return JSONResponse({"refused": says}, status, headers)
    page: Page = request.app.state.page
    person = page.sessions.person(cookie(request), by_hand=False)
    # a server that is at its end draws nothing
    if not _in_a_browser(request) or status >= BUSY or person is None or not person.may(LOOK):
        return PlainTextResponse(f"{says}\n", status, headers)
    answer = await page.drawing.whole(
        person,
        "refused.html",
        status=status,
        heading=HEADINGS.get(status, "Not done"),
        reason=SAID.get(says, says),
        back="/",
        back_to="To the relays",
    )
    answer.headers.update(headers)
    return answer


def _in_a_browser(request: Request) -> bool:
    """A person opened it, and no script of ours nor another program."""
    return LIVE not in request.headers and "text/html" in request.headers.get("accept", "")


async def _sign_in_first(request: Request, reason: Exception) -> Response:
    path = request.url.path
    if path.startswith(API) or request.method != "GET":
        return await _refused(request, 401, "sign in first", {})
    return RedirectResponse(f"/sign-in?to={quote(path)}", 303)


async def _not_allowed(request: Request, reason: Exception) -> Response:
    """The journal says who asked for what."""
    assert isinstance(reason, NotAllowed)
    page: Page = request.app.state.page
    person = page.sessions.person(cookie(request), by_hand=False)
    await page.access.refused(reason.what, person.name if person else None, address(request))
    return await _refused(request, 403, str(reason), {})


async def _status(request: Request, reason: Exception) -> Response:
    assert isinstance(reason, HTTPException)
    return await _refused(request, reason.status_code, str(reason.detail), reason.headers or {})


def _always(status: int, says: Callable[[Any], str], **headers: str) -> Answer:
    async def told(request: Request, reason: Exception) -> Response:
        return await _refused(request, status, says(reason), headers)

    return told


def _first(reason: RequestValidationError) -> str:
    """The first that is wrong with what was asked."""
    first: dict[str, Any] = dict(reason.errors()[0])
    place = ".".join(str(part) for part in first["loc"])
    return shown(f"{place}: {first['msg']}")


AGAIN: Final = {"retry-after": "5"}
ANSWERS: Final[dict[type[Exception], Answer]] = {
    SignInFirst: _sign_in_first,
    NotAllowed: _not_allowed,
    Refusal: _always(409, str),
    RequestValidationError: _always(422, _first),
    Busy: _always(503, lambda reason: "busy; try again", **AGAIN),
    Full: _always(503, lambda reason: "as many pages are open as can be served", **AGAIN),
    Faulty: _always(503, lambda reason: reason.problems[0].what),
    JournalUnusable: _always(503, str),
    HTTPException: _status,
}
"""Async every one: Starlette would take a thread for it otherwise."""
