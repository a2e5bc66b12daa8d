"""What is asked about people who sign in to the page, and what follows: events, or a refusal.

No password passes here. Whoever asks has put its hash where hashes are kept.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final, TypeAlias

from poller.model import limits
from poller.model.events import AccessRefused, Body, Event, SessionChanged, UserChanged
from poller.model.refusal import Refusal
from poller.model.standing import State
from poller.model.text import shown
from poller.model.users import Role, User, UserHappening

# small letters, so that a name is one person however it is typed
NAME: Final = re.compile(r"[a-z0-9][a-z0-9._-]{0,39}")


@dataclass(frozen=True, slots=True, kw_only=True)
class AddUser:
    user: str
    roles: tuple[Role, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangeUser:
    """roles: None: as before. password: there is a new one."""

    user: str
    roles: tuple[Role, ...] | None = None
    password: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class RemoveUser:
    user: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Passed:
    """Who came to the page, left it or was kept out. Nobody asks for it: the page tells."""

    body: SessionChanged | AccessRefused


UserRequest: TypeAlias = AddUser | ChangeUser | RemoveUser


def decided(state: State, given: UserRequest) -> list[tuple[str, Body]]:
    """Raises Refusal."""
    match given:
        case AddUser(user=user, roles=roles):
            return [("", _added(state, user, roles))]
        case ChangeUser():
            return [("", body) for body in _changed(state, given)]
        case RemoveUser(user=user):
            _known(state, user)
            return [("", UserChanged(user=user, happening=UserHappening.REMOVED))]


def _added(state: State, user: str, roles: tuple[Role, ...]) -> UserChanged:
    if NAME.fullmatch(user) is None:
        raise Refusal(
            f"{shown(user)}: no name for a user; use small letters, digits, dots, dashes and "
            "underscores, at most 40"
        )
    if user in state.users:
        raise Refusal(f"{user}: there is such a user; see: bayroll user change {user}")
    if len(state.users) >= limits.USERS_MAX:
        raise Refusal(f"{limits.USERS_MAX} users are the most; remove those who have left")
    return UserChanged(user=user, happening=UserHappening.ADDED, roles=_roles(roles))


def _changed(state: State, given: ChangeUser) -> list[UserChanged]:
    known = _known(state, given.user)
    roles = known.roles if given.roles is None else _roles(given.roles)
    told = []
    if roles != known.roles:
        told.append(UserHappening.ROLES_CHANGED)
    if given.password:
        told.append(UserHappening.PASSWORD_CHANGED)
    if not told:
        raise Refusal(f"{given.user}: nothing would change; give other roles or a new password")
    return [UserChanged(user=given.user, happening=one, roles=roles) for one in told]


def _roles(given: tuple[Role, ...]) -> tuple[Role, ...]:
    """Each once, in the order of the table."""
    if not given:
        raise Refusal(f"name at least one role: {', '.join(Role)}")
    return tuple(role for role in Role if role in given)


def _known(state: State, user: str) -> User:
    if user not in state.users:
        raise Refusal(f"{shown(user)}: no such user; see: bayroll user list")
    return state.users[user]


def folded(users: dict[str, User], event: Event) -> dict[str, User]:
    """The users after an event about one of them."""
    body = event.body
    assert isinstance(body, UserChanged)
    if body.happening is UserHappening.REMOVED:
        return {name: one for name, one in users.items() if name != body.user}
    known = users.get(body.user)
    fresh = known is None or body.happening is not UserHappening.ROLES_CHANGED
    at = event.at if fresh or known is None else known.password_at
    return {**users, body.user: User(roles=body.roles, password_at=at)}
