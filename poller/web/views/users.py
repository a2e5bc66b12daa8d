"""Who signs in to the page, and what each role may do; for security administrators."""

from __future__ import annotations

import uuid
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any, Final

from fastapi import APIRouter, Depends, HTTPException, Request
from fastapi.responses import RedirectResponse, Response

from poller.answers.rights import rights
from poller.model.refusal import Refusal
from poller.model.users import USERS, Role
from poller.web import users
from poller.web.page import Page, page_of
from poller.web.sessions import Person
from poller.web.views.acts import Fields, fields
from poller.web.who import allowed

router = APIRouter()
ThePage = Annotated[Page, Depends(page_of)]
HERE: Final = "/users"


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """has_password: else nobody signs in so. places: at which they are signed in now."""

    user: str
    roles: tuple[Role, ...]
    has_password: bool
    password_at: datetime
    places: int


@router.get(HERE)
async def everybody(page: ThePage, person: Annotated[Person, Depends(allowed(USERS))]) -> Response:
    state = page.behind.state()
    known = await page.behind.threads.do(page.behind.passwords.known)
    rows = [
        Row(
            user=name,
            roles=one.roles,
            has_password=name in known,
            password_at=one.password_at,
            places=page.sessions.of(name),
        )
        for name, one in sorted(state.users.items())
    ]
    return await page.drawing.whole(
        person, "users.html", state=state, rows=rows, every_role=tuple(Role), rights=rights
    )


Act = Callable[[Page, Fields, Person, str], Awaitable[Any]]


@router.post(f"{HERE}/{{act}}")
async def act(
    request: Request,
    page: ThePage,
    person: Annotated[Person, Depends(allowed(USERS))],
    act: str,
) -> Response:
    """Leads back to the list, or says why not."""
    if act not in ACTS:
        raise HTTPException(404, "no such act")
    told = await fields(request, person, f"user_{act}")
    try:
        await ACTS[act](page, told, person, str(uuid.uuid4()))
    except Refusal as reason:
        return await page.drawing.whole(
            person, "refused.html", status=409, reason=str(reason), back=HERE
        )
    return RedirectResponse(HERE, 303)


async def _add(page: Page, told: Fields, person: Person, number: str) -> None:
    password = same_twice(told)
    await users.add(page.behind, _user(told), _roles(told), password, person, number)


async def _change(page: Page, told: Fields, person: Person, number: str) -> None:
    """What stands in the form as it was is no change."""
    user, roles = _user(told), _roles(told)
    before = page.behind.state().users.get(user)
    given = None if before is not None and set(roles) == set(before.roles) else roles
    await users.change(page.behind, user, given, same_twice(told), person, number)


async def _remove(page: Page, told: Fields, person: Person, number: str) -> None:
    await users.remove(page.behind, _user(told), person, number)


ACTS: Final[dict[str, Act]] = {"add": _add, "change": _change, "remove": _remove}


def _user(told: Fields) -> str:
    return told.get("user", [""])[0].strip().casefold()


def _roles(told: Fields) -> tuple[Role, ...]:
    return tuple(role for role in Role if role in told.get("roles", ()))


def same_twice(told: Fields) -> str | None:
    """The new password; None: none is given. Raises Refusal."""
    first, again = (told.get(name, [""])[0] for name in ("password", "again"))
    if first != again:
        raise Refusal("the two new passwords are not the same; nothing was changed")
    return first or None
