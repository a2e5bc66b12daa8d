"""The application: guard, routes of views and API, and what is said where a request fails."""

from __future__ import annotations

from typing import Any
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
from poller.web import about, api, commands, files, live, metrics, sign_in
from poller.web.behind import Busy
from poller.web.feed import Full
from poller.web.guard import App, Guard
from poller.web.page import Page
from poller.web.views import VIEWS
from poller.web.who import NotAllowed, SignInFirst

API = "/api/v1"
SAYS = (
    "What Bayroll knows of a substation's relays, as its command line tells it with --json. "
    "Where people are known, sign in first: POST /api/v1/session."
)


def make_app(page: Page) -> App:
    """One for each page."""
    app = FastAPI(
        title="Bayroll",
        version=page.behind.version,
        description=SAYS,
        openapi_url=f"{API}/openapi.json",
        docs_url=None,  # they would be fetched from elsewhere
        redoc_url=None,
    )
    app.state.page = page
    for router in (sign_in.api, api.router, about.router, live.router, commands.routes(page)):
        app.include_router(router, prefix=API)
    for router in (metrics.router, files.router, sign_in.views, *(view.router for view in VIEWS)):
        app.include_router(router, include_in_schema=router is metrics.router)
    for kind, answer in ANSWERS.items():
        app.add_exception_handler(kind, answer)
    return Guard(app, lambda: page.behind.site().file.page)


def _refused(request: Request, status: int, says: str, **headers: str) -> Response:
    """For programs in JSON; for people as a line. Neither holds what could be markup."""
    if request.url.path.startswith(API):
        return JSONResponse({"refused": says}, status, headers)
    return PlainTextResponse(f"{says}\n", status, headers)


def _sign_in_first(request: Request, reason: Exception) -> Response:
    path = request.url.path
    if path.startswith(API) or request.method != "GET":
        return _refused(request, 401, "sign in first")
    return RedirectResponse(f"/sign-in?to={quote(path)}", 303)


def _invalid(request: Request, reason: Exception) -> Response:
    assert isinstance(reason, RequestValidationError)
    first: dict[str, Any] = dict(reason.errors()[0])
    place = ".".join(str(part) for part in first["loc"])
    return _refused(request, 422, shown(f"{place}: {first['msg']}"))


def _status(request: Request, reason: Exception) -> Response:
    assert isinstance(reason, HTTPException)
    return _refused(request, reason.status_code, str(reason.detail), **(reason.headers or {}))


ANSWERS: dict[type[Exception], Any] = {
    SignInFirst: _sign_in_first,
    NotAllowed: lambda request, reason: _refused(request, 403, str(reason)),
    Refusal: lambda request, reason: _refused(request, 409, str(reason)),
    Busy: lambda request, reason: _refused(request, 503, "busy; try again", **{"retry-after": "5"}),
    Full: lambda request, reason: _refused(
        request, 503, "as many pages are open as can be served", **{"retry-after": "30"}
    ),
    Faulty: lambda request, reason: _refused(request, 503, reason.problems[0].what),
    JournalUnusable: lambda request, reason: _refused(request, 503, str(reason)),
    RequestValidationError: _invalid,
    HTTPException: _status,
}
