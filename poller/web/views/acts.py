"""What a form asks for: any command of the control socket, its values as fields of the form.

`why` is a value, `relays` may stand there several times, `expects.swRev` is a key of `expects`.
"""

from __future__ import annotations

import types
import typing
import uuid
from collections.abc import Callable
from typing import Annotated, Any, TypeAlias
from urllib.parse import parse_qs

from fastapi import APIRouter, Depends, HTTPException, Request
from fastapi.responses import JSONResponse, RedirectResponse, Response

from poller.model.refusal import Refusal
from poller.model.users import FORM
from poller.web.page import Page, page_of
from poller.web.sessions import Person
from poller.web.sign_in import inside
from poller.web.users import ABOUT_PEOPLE
from poller.web.who import LIVE, NotAllowed, Somebody, allowed, same

router = APIRouter()
FIELDS_MAX = 200
Fields: TypeAlias = dict[str, list[str]]


@router.post("/do/{command}")
async def do(
    request: Request, page: Annotated[Page, Depends(page_of)], person: Somebody, command: str
) -> Response:
    """To the page that asked, or, to its script, what came of it."""
    if command not in page.behind.commands or command in ABOUT_PEOPLE:
        raise HTTPException(404, "no such command")
    told = await fields(request, person, command)
    return await carry_out(
        request, page, person, command, told, lambda: values(page.behind.commands[command], told)
    )


async def fields(request: Request, person: Person, command: str) -> Fields:
    """Of the form that somebody sent who may give that command. Raises NotAllowed."""
    await allowed(command)(request, person)
    return await form(request, person)


async def form(request: Request, person: Person) -> Fields:
    """Of a form that this session was given. Raises NotAllowed."""
    told = parse_qs((await request.body()).decode("utf-8", "replace"), max_num_fields=FIELDS_MAX)
    if not same(told.pop("form", [""])[0], person.form):
        raise NotAllowed("this form is old; load the page again", FORM)
    return told


async def carry_out(
    request: Request,
    page: Page,
    person: Person,
    command: str,
    told: Fields,
    args: Callable[[], dict[str, Any]],
) -> Response:
    """args: made of what was told; may raise Refusal as the command itself may."""
    back, number = told.pop("back", ["/"])[0], told.pop("number", [str(uuid.uuid4())])[0]
    by_script = LIVE in request.headers
    try:
        answer = await page.behind.ask(command, args(), number, person.by)
    except Refusal as reason:
        if by_script:
            return JSONResponse({"refused": str(reason)}, 409)
        return await page.drawing.whole(
            person, "refused.html", status=409, reason=str(reason), back=inside(back)
        )
    return JSONResponse(answer) if by_script else RedirectResponse(inside(back), 303)


def values(kind: type, told: Fields) -> dict[str, Any]:
    """By the types of the command: one text, several, or keys and texts."""
    hints, found = typing.get_type_hints(kind), dict[str, Any]()
    for name, texts in told.items():
        first, dot, key = name.partition(".")
        if dot:
            inside = found.setdefault(first, {})
            if isinstance(inside, dict):
                inside[key] = texts[0]
        elif _is_many(hints.get(name)):
            found[name] = texts
        else:
            found[name] = texts[0]
    return found


def _is_many(hint: Any) -> bool:
    inside = typing.get_args(hint) if isinstance(hint, types.UnionType) else (hint,)
    return any(typing.get_origin(one) is tuple for one in inside)
