"""Who asks, as routes need it: signed in, allowed to, and not led here by another site."""

from __future__ import annotations

import hmac
from collections.abc import Awaitable, Callable
from typing import Annotated, Final, TypeAlias

from fastapi import Depends, Request

from poller.model.users import FORM, LOOK, says, who_may
from poller.web.page import Page, page_of
from poller.web.sessions import Person

HEADER: Final = "x-bayroll-form"  # the header in which a script brings what a form brings hidden
LIVE: Final = "x-bayroll-live"  # a timer or a stream asks, and no person


class SignInFirst(Exception):
    """Nobody is signed in there."""


class NotAllowed(Exception):
    """The text says what is missing. what: a right, or FORM: as the journal has it."""

    def __init__(self, says: str, what: str) -> None:
        super().__init__(says)
        self.what = what


def cookie_name(request: Request) -> str:
    """Cookies are shared by the ports of a host, so the port is in it; __Host- holds under TLS."""
    port = request.scope.get("server", ("", 0))[1]
    secure = request.url.scheme == "https"
    return f"__Host-bayroll-{port}" if secure else f"bayroll-{port}"


def cookie(request: Request) -> str | None:
    return request.cookies.get(cookie_name(request))


async def person(request: Request, page: Annotated[Page, Depends(page_of)]) -> Person:
    """Raises SignInFirst."""
    by_hand = LIVE not in request.headers
    found = page.sessions.person(cookie(request), by_hand=by_hand)
    if found is None:
        raise SignInFirst
    if not found.may(LOOK):
        raise NotAllowed("you have no role that may look at this", LOOK)
    return found


Somebody: TypeAlias = Annotated[Person, Depends(person)]


def allowed(what: str) -> Callable[[Request, Person], Awaitable[Person]]:
    """A dependency: the person, who may do that. Raises NotAllowed."""

    async def asked(request: Request, somebody: Somebody) -> Person:
        if somebody.name is None:
            raise NotAllowed(
                "nobody is known here, so nothing is done; see: bayroll user add", what
            )
        if not somebody.may(what):
            roles = " or ".join(map(says, who_may(what)))
            raise NotAllowed(
                f"{somebody.name} has no role that may do this: {what}. "
                f"It takes the role {roles}, which a security administrator gives",
                what,
            )
        return somebody

    return asked


def acting(what: str) -> Callable[[Request, Person], Awaitable[Person]]:
    """As allowed, for what changes something: it must bring what only our own page knows."""
    check = allowed(what)

    async def asked(request: Request, somebody: Somebody) -> Person:
        await check(request, somebody)
        if not same(request.headers.get(HEADER, ""), somebody.form):
            raise NotAllowed(f"the header {HEADER} is missing or old; sign in again", FORM)
        return somebody

    return asked


def same(given: str, kept: str) -> bool:
    return hmac.compare_digest(given.encode(errors="replace"), kept.encode())


def address(request: Request) -> str:
    """The peer's; a proxy stands for everybody behind it."""
    return request.client.host if request.client is not None else "?"
