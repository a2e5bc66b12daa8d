"""The API to act: the commands of the control socket, each for those whose role may give it."""

from __future__ import annotations

import uuid
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from functools import partial
from typing import Annotated, Any, Final, TypeAlias

import structlog
from fastapi import APIRouter, Depends, Header
from fastapi.responses import JSONResponse, Response
from pydantic import Field

from poller.model import limits
from poller.model.canonical import plain
from poller.model.users import Role
from poller.web.behind import Behind
from poller.web.page import Page
from poller.web.passwords import sound
from poller.web.sessions import Person
from poller.web.shapes import REFUSALS
from poller.web.who import acting

log = structlog.get_logger()
# of people, with their passwords, which no command carries
ABOUT_PEOPLE: Final = ("user_add", "user_change", "user_remove")
Route: TypeAlias = Callable[..., Awaitable[Response]]
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


def routes(page: Page) -> APIRouter:
    """POST /commands/NAME for each, its values as JSON; users have routes of their own.

    The header x-bayroll-command is the command's own id; given again, it gets its first answer.
    """
    router = APIRouter(tags=["act"], responses=REFUSALS)
    for name, kind in page.behind.commands.items():
        if name not in ABOUT_PEOPLE:
            router.add_api_route(
                f"/commands/{name}",
                _route(page.behind, name, kind),
                methods=["POST"],
                name=name,
                response_model=Done,
            )
    for what, handle in (("PUT", _put), ("DELETE", _delete)):
        router.add_api_route(
            "/users/{user}",
            handle(page.behind),
            methods=[what],
            name=handle.__name__.strip("_") + "_user",
            response_model=Done,
        )
    return router


def _route(behind: Behind, name: str, kind: type) -> Route:
    async def give(given: Any, person: Any, x_bayroll_command: Any = None) -> Response:
        return await _ask(behind, name, plain(given), person, x_bayroll_command)

    return _annotated(give, given=kind, person=acting(name))


def _put(behind: Behind) -> Route:
    async def put(
        user: Any, given: SetUser, person: Any, x_bayroll_command: Any = None
    ) -> Response:
        """Add somebody, or give them other roles or a new password."""
        password = None if given.password is None else sound(given.password)
        if user in behind.state().users:
            args = {"user": user, "roles": given.roles, "password": password is not None}
            answer = await _ask(behind, "user_change", args, person, x_bayroll_command)
        else:
            args = {"user": user, "roles": given.roles or ()}
            answer = await _ask(behind, "user_add", args, person, x_bayroll_command)
        if password is not None:
            await behind.threads.do(partial(behind.passwords.set, user, password))
        return answer

    return _annotated(put, user=str, given=SetUser, person=acting("user_add"))


def _delete(behind: Behind) -> Route:
    async def remove(user: Any, person: Any, x_bayroll_command: Any = None) -> Response:
        """Let somebody sign in no more; where they are signed in, that ends."""
        answer = await _ask(behind, "user_remove", {"user": user}, person, x_bayroll_command)
        await behind.threads.do(partial(behind.passwords.forget, user))
        return answer

    return _annotated(remove, user=str, person=acting("user_remove"))


def _annotated(route: Route, *, person: Callable[..., Awaitable[Person]], **types: Any) -> Route:
    """FastAPI reads what a route takes off its annotations; these are made one by one."""
    route.__annotations__ = {
        **types,
        "person": Annotated[Person, Depends(person)],
        "x_bayroll_command": Number,
        "return": Response,
    }
    return route


async def _ask(
    behind: Behind, name: str, args: dict[str, Any], person: Person, number: str | None
) -> Response:
    answer = await behind.ask(name, args, number or str(uuid.uuid4()), person.by)
    log.info("commanded", command=name, by=person.name)
    return JSONResponse(answer)
