"""Signing in and out: a form for people, JSON for programs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated
from urllib.parse import parse_qs

from fastapi import APIRouter, Depends, Request
from fastapi.responses import JSONResponse, RedirectResponse, Response
from pydantic import Field

from poller.model import limits
from poller.model.canonical import plain
from poller.model.users import FORM, Role
from poller.web.page import Page, page_of
from poller.web.sessions import ANYBODY, HOUR_S, NotSignedIn, Person
from poller.web.shapes import REFUSALS
from poller.web.who import HEADER, NotAllowed, Somebody, address, cookie, cookie_name, same

views = APIRouter()
api = APIRouter(tags=["session"])
ThePage = Annotated[Page, Depends(page_of)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Credentials:
    user: Annotated[str, Field(max_length=limits.PERSON_MAX)]
    password: Annotated[str, Field(max_length=limits.PASSWORD_MAX)]


@dataclass(frozen=True, slots=True, kw_only=True)
class SignedIn:
    """user: null where nobody has to sign in. form: what each command brings in the header
    x-bayroll-form."""

    user: str | None
    roles: tuple[Role, ...]
    form: str


@views.get("/sign-in")
async def form(request: Request, page: ThePage, to: str = "/") -> Response:
    here = page.sessions.person(cookie(request))
    if here is not None:
        return RedirectResponse(inside(to), 303)
    return await page.drawing.whole(ANYBODY, "sign_in.html", to=inside(to), says=None, user="")


@views.post("/sign-in")
async def enter(request: Request, page: ThePage) -> Response:
    given = _fields(await request.body())
    to, user = inside(given.get("to", "/")), given.get("user", "")
    try:
        token = await page.sessions.sign_in(user, given.get("password", ""), address(request))
    except NotSignedIn as reason:
        return await page.drawing.whole(
            ANYBODY,
            "sign_in.html",
            status=403 if reason.wait_s is None else 429,
            to=to,
            says=str(reason),
            user=user[: limits.PERSON_MAX],
        )
    answer = RedirectResponse(to, 303)
    set_cookie(answer, request, page, token)
    return answer


@views.post("/sign-out")
async def leave(request: Request, page: ThePage, person: Somebody) -> Response:
    if not same(_fields(await request.body()).get("form", ""), person.form):
        raise NotAllowed("this form is old; load the page again", FORM)
    await page.sessions.sign_out(cookie(request))
    answer = RedirectResponse("/sign-in", 303)
    _drop(answer, request)
    return answer


@api.post("/session", response_model=SignedIn, responses=REFUSALS)
async def begin(request: Request, page: ThePage, given: Credentials) -> Response:
    """Sign in. The answer sets a cookie."""
    try:
        token = await page.sessions.sign_in(given.user, given.password, address(request))
    except NotSignedIn as reason:
        if reason.wait_s is None:
            return JSONResponse({"refused": str(reason)}, 403)
        wait = {"retry-after": str(int(reason.wait_s) + 1)}
        return JSONResponse({"refused": str(reason)}, 429, wait)
    person = page.sessions.person(token)
    assert person is not None
    answer = JSONResponse(_signed_in(person))
    set_cookie(answer, request, page, token)
    return answer


@api.get("/session", response_model=SignedIn, responses=REFUSALS)
async def present(person: Somebody) -> Response:
    """Who is signed in."""
    return JSONResponse(_signed_in(person))


@api.delete("/session", status_code=204, responses=REFUSALS)
async def end(request: Request, page: ThePage, person: Somebody) -> Response:
    """Sign out."""
    if person.name is not None and not same(request.headers.get(HEADER, ""), person.form):
        raise NotAllowed(f"the header {HEADER} is missing or old", FORM)
    await page.sessions.sign_out(cookie(request))
    answer = Response(status_code=204)
    _drop(answer, request)
    return answer


def _signed_in(person: Person) -> object:
    return plain(SignedIn(user=person.name, roles=person.roles, form=person.form))


def set_cookie(answer: Response, request: Request, page: Page, token: str) -> None:
    settings = page.behind.site().file.page
    answer.set_cookie(
        cookie_name(request),
        token,
        max_age=HOUR_S * (settings.session_h if settings else 1),
        secure=request.url.scheme == "https",
        httponly=True,
        samesite="strict",
    )


def _drop(answer: Response, request: Request) -> None:
    answer.delete_cookie(
        cookie_name(request),
        secure=request.url.scheme == "https",
        httponly=True,
        samesite="strict",
    )


def inside(to: str) -> str:
    """A path of ours: nobody is sent elsewhere by a link to the form."""
    ours = to.startswith("/") and not to.startswith(("//", "/\\"))
    return to if ours and to.isascii() and to.isprintable() else "/"


def _fields(body: bytes) -> dict[str, str]:
    """Of a form; the first of each name."""
    told = parse_qs(body.decode("utf-8", "replace"), keep_blank_values=True, max_num_fields=20)
    return {name: values[0] for name, values in told.items()}
