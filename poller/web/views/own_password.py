"""Everybody's own password, which nobody else needs to know."""

from __future__ import annotations

import uuid
from typing import Annotated, Final

from fastapi import APIRouter, Depends, HTTPException, Request
from fastapi.responses import RedirectResponse, Response

from poller.model.refusal import Refusal
from poller.web import users
from poller.web.page import Page, page_of
from poller.web.sessions import NotSignedIn, Person
from poller.web.sign_in import set_cookie
from poller.web.views.acts import form
from poller.web.views.users import same_twice
from poller.web.who import Somebody, address

router = APIRouter()
ThePage = Annotated[Page, Depends(page_of)]
HERE: Final = "/password"


@router.get(HERE)
async def ask(page: ThePage, person: Somebody, done: bool = False) -> Response:
    return await _drawn(page, person, done=done)


@router.post(HERE)
async def change(request: Request, page: ThePage, person: Somebody) -> Response:
    """Here they stay signed in, with a new cookie; everywhere else that ends."""
    if person.name is None:
        raise HTTPException(404, "nobody is signed in")
    told = await form(request, person)
    old = told.get("old", [""])[0]
    try:
        await page.sessions.verify(person.name, old, address(request))
        new = same_twice(told)
        if new is None or new == old:
            raise Refusal("give a new password, another than before")
        await users.change_own(page.behind, person, new, str(uuid.uuid4()))
        changed_at = page.behind.state().users[person.name].password_at
        token = await page.sessions.begin(person.name, changed_at, address(request))
    except NotSignedIn as reason:
        says = str(reason) if reason.wait_s else "this is not your password"
        return await _drawn(page, person, says, 403 if reason.wait_s is None else 429)
    except Refusal as reason:
        return await _drawn(page, person, str(reason), 409)
    answer = RedirectResponse(f"{HERE}?done=true", 303)
    set_cookie(answer, request, page, token)
    return answer


async def _drawn(
    page: Page,
    person: Person,
    says: str | None = None,
    status: int = 200,
    *,
    done: bool = False,
) -> Response:
    if person.name is None:
        raise HTTPException(404, "nobody is signed in")
    return await page.drawing.whole(
        person, "own_password.html", status=status, says=says, done=done
    )
