"""Users as a security administrator sees to them on the page, and everybody to their own password:
the commands of `bayroll user`, and a hash beside the journal."""

from __future__ import annotations

from functools import partial
from typing import Any, Final

from poller.model.refusal import Refusal
from poller.model.users import USERS, Role
from poller.model.users import may as roles_may
from poller.web.behind import Behind
from poller.web.passwords import sound
from poller.web.sessions import Person

# no form and no command of the API carries a password; these are asked for by their own ways
ABOUT_PEOPLE: Final = ("user_add", "user_change", "user_remove")


async def add(
    behind: Behind,
    user: str,
    roles: tuple[Role, ...],
    password: str | None,
    person: Person,
    number: str,
) -> dict[str, Any]:
    """The command's answer, once they can sign in. number: its id. Raises Refusal, Faulty."""
    if password is None:
        raise Refusal(f"{user}: somebody new needs a password")
    sound(password)
    answer = await behind.ask("user_add", {"user": user, "roles": roles}, number, person.by)
    await behind.threads.do(partial(behind.passwords.set, user, password))
    return answer


async def change(
    behind: Behind,
    user: str,
    roles: tuple[Role, ...] | None,
    password: str | None,
    person: Person,
    number: str,
) -> dict[str, Any]:
    """None: as before. Where they are signed in, a new password ends that. As add."""
    if password is not None:
        sound(password)
    if roles is not None and not roles_may(roles, USERS):
        _not_oneself(user, person)
    args = {"user": user, "roles": roles, "password": password is not None}
    answer = await behind.ask("user_change", args, number, person.by)
    if password is not None:
        await behind.threads.do(partial(behind.passwords.set, user, password))
    return answer


async def change_own(behind: Behind, person: Person, password: str, number: str) -> None:
    """Of whoever has shown who they are. Every session of theirs is over. As add."""
    assert person.name is not None
    sound(password)
    args = {"user": person.name, "password": True}
    await behind.ask("user_change", args, number, person.by)
    await behind.threads.do(partial(behind.passwords.set, person.name, password))


async def remove(behind: Behind, user: str, person: Person, number: str) -> dict[str, Any]:
    """They sign in no more; where they are signed in, that ends. As add."""
    _not_oneself(user, person)
    answer = await behind.ask("user_remove", {"user": user}, number, person.by)
    await behind.threads.do(partial(behind.passwords.forget, user))
    return answer


def _not_oneself(user: str, person: Person) -> None:
    """So that nobody is left who can see to users but at the computer itself."""
    if user == person.name:
        raise Refusal(
            f"{user}: nobody takes their own right to see to users; another security "
            "administrator does, or: bayroll user"
        )
