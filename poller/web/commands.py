"""The API to act: the commands of the control socket, each for those whose role may give it."""

from __future__ import annotations

import uuid
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass
from typing import Annotated, Any, TypeAlias

from fastapi import APIRouter, Depends, Header
from fastapi.responses import JSONResponse, Response
from pydantic import Field

from poller.model import limits
from poller.model.canonical import plain
from poller.model.users import Role
from poller.web import users
from poller.web.page import Page, page_of
from poller.web.sessions import Person
from poller.web.shapes import REFUSALS
from poller.web.users import ABOUT_PEOPLE
from poller.web.who import acting

Route: TypeAlias = Callable[..., Awaitable[Response]]
ThePage = Annotated[Page, Depends(page_of)]
Number = Annotated[str | None, Header(max_length=limits.COMMAND_ID_MAX)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """It is durable. events: how many it made, of these kinds; works: ids of what it planned."""

    events: int
    kinds: tuple[str, ...]
    works: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SetUser:
    """password: None: as before. Both are needed of somebody new."""

    roles: tuple[Role, ...] | None = None
    password: Annotated[str, Field(max_length=limits.PASSWORD_MAX)] | None = None


def routes(commands: Mapping[str, type]) -> APIRouter:
    """POST /commands/NAME for each, its values as JSON; users have routes of their own.

    The header x-bayroll-command is the command's own id; given again, it gets its first answer.
    """
    router = APIRouter(tags=["act"], responses=REFUSALS)
    for name, kind in commands.items():
        if name not in ABOUT_PEOPLE:
            router.add_api_route(
                f"/commands/{name}",
                _route(name, kind),
                methods=["POST"],
                name=name,
                response_model=Done,
            )
    router.add_api_route(
        "/users/{user}", _put_user, methods=["PUT"], name="put_user", response_model=Done
    )
    router.add_api_route(
        "/users/{user}", _remove_user, methods=["DELETE"], name="delete_user", response_model=Done
    )
    return router


def _route(name: str, kind: type) -> Route:
    async def give(page: Any, given: Any, person: Any, x_bayroll_command: Any = None) -> Response:
        number = x_bayroll_command or _number()
        return JSONResponse(await page.behind.ask(name, plain(given), number, person.by))

    # FastAPI reads what a route takes off its annotations; these are made one by one
    give.__annotations__ = {
        "page": ThePage,
        "given": kind,
        "person": Annotated[Person, Depends(acting(name))],
        "x_bayroll_command": Number,
        "return": Response,
    }
    return give


async def _put_user(
    page: ThePage,
    user: str,
    given: SetUser,
    person: Annotated[Person, Depends(acting("user_add"))],
    x_bayroll_command: Number = None,
) -> Response:
    """Add somebody, or give them other roles or a new password."""
    behind, number = page.behind, x_bayroll_command or _number()
    if user in behind.state().users:
        told = await users.change(behind, user, given.roles, given.password, person, number)
    else:
        told = await users.add(behind, user, given.roles or (), given.password, person, number)
    return JSONResponse(told)


async def _remove_user(
    page: ThePage,
    user: str,
    person: Annotated[Person, Depends(acting("user_remove"))],
    x_bayroll_command: Number = None,
) -> Response:
    """Let somebody sign in no more; where they are signed in, that ends."""
    number = x_bayroll_command or _number()
    return JSONResponse(await users.remove(page.behind, user, person, number))


def _number() -> str:
    return str(uuid.uuid4())
