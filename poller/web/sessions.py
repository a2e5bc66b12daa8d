"""Who is signed in: sessions that end, and passwords that can't be guessed by trying.

A session lives in memory alone, under the hash of what its cookie says; a restart ends them all.
"""

from __future__ import annotations

import asyncio
import hashlib
import secrets
from collections import deque
from collections.abc import Callable, Collection
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from poller.model import limits
from poller.model.standing import State
from poller.model.users import Role, SessionHappening, User
from poller.model.users import may as roles_may
from poller.web.access import Access
from poller.web.behind import Behind

HOUR_S: Final = 3_600
TOKEN_OCTETS: Final = 32
ONLY_LOOKING: Final = frozenset({Role.VIEWER, Role.AUDITOR})


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """Who asks. name: None where nobody has to sign in, since nobody is known. form: what a form or
    a command of theirs must bring along, which no other site knows.
    """

    name: str | None
    roles: tuple[Role, ...]
    form: str = ""

    def may(self, what: str) -> bool:
        return roles_may(self.roles, what)

    @property
    def by(self) -> str:
        """As the journal has it."""
        return f"{self.name} (page)"


ANYBODY: Final = Person(name=None, roles=(Role.VIEWER,))


class NotSignedIn(Exception):
    """wait_s: None, or seconds until another try is heard."""

    def __init__(self, says: str, wait_s: float | None = None) -> None:
        super().__init__(says)
        self.wait_s = wait_s


@dataclass(slots=True, kw_only=True)
class _Session:
    user: str
    address: str
    form: str
    password_at: datetime
    began: float
    used: float


class Tries:
    """Wrong passwords of late, by name and by address; all bounded."""

    def __init__(self, monotonic: Callable[[], float]) -> None:
        self._monotonic = monotonic
        self._times: dict[tuple[str, str], deque[float]] = {}

    def wait_s(self, name: str, address: str) -> float | None:
        """Until the next try is heard; None: at once."""
        now = self._monotonic()
        waits = [
            times[-most] + limits.PAGE_TRIES_S - now
            for key, most in _keys(name, address)
            if len(times := self._times.get(key, deque())) >= most
        ]
        longest = max(waits, default=0.0)
        return longest if longest > 0 else None

    def count(self, name: str, address: str) -> None:
        """Before the password is looked at: many tries at once count too."""
        for key, most in _keys(name, address):
            times = self._times.pop(key, deque(maxlen=most))
            times.append(self._monotonic())
            self._times[key] = times  # the newest last
        while len(self._times) > limits.PAGE_TRIED_MAX:
            self._times.pop(next(iter(self._times)))

    def forget(self, name: str, address: str) -> None:
        """It was right."""
        for key, _ in _keys(name, address):
            self._times.pop(key, None)


def _keys(name: str, address: str) -> tuple[tuple[tuple[str, str], int], ...]:
    return (
        (("name", name), limits.PAGE_TRIES_OF_NAME_MAX),
        (("address", address), limits.PAGE_TRIES_OF_ADDRESS_MAX),
    )


class Sessions:
    def __init__(self, behind: Behind, access: Access) -> None:
        self._behind = behind
        self._access = access
        self._sessions: dict[str, _Session] = {}
        self._tries = Tries(behind.monotonic)
        self._hashing = asyncio.Semaphore(limits.PAGE_HASHES_AT_ONCE)

    def __len__(self) -> int:
        return len(self._sessions)

    async def sign_in(self, name: str, password: str, address: str) -> str:
        """What the cookie is to say. Raises NotSignedIn, and Faulty for the file of passwords."""
        name, user = await self.verify(name, password, address)
        token = await self.begin(name, user.password_at, address)
        await self._access.session(name, SessionHappening.SIGNED_IN, address)
        return token

    async def verify(self, name: str, password: str, address: str) -> tuple[str, User]:
        """Who this name and this password are of. Raises as sign_in."""
        name = name.strip().casefold()[: limits.PERSON_MAX]
        wait_s = self._tries.wait_s(name, address)
        if wait_s is not None:
            await self._access.not_signed_in(name, address)
            raise NotSignedIn("too many tries; wait a few minutes", wait_s)
        self._tries.count(name, address)
        async with self._hashing:
            right = await asyncio.to_thread(self._behind.passwords.match, name, password)
        user = self._behind.state().users.get(name)
        if not right or user is None:
            await self._access.not_signed_in(name, address)
            raise NotSignedIn("this name and this password do not go together")
        self._tries.forget(name, address)
        return name, user

    async def begin(self, name: str, password_at: datetime, address: str) -> str:
        """What the cookie is to say, of somebody who has shown who they are. Raises NotSignedIn."""
        await self.sweep()
        own = [key for key, one in self._sessions.items() if one.user == name]
        for key in own[: max(0, len(own) + 1 - limits.PAGE_SESSIONS_OF_ONE_MAX)]:
            await self._end(key, SessionHappening.OVER)
        if len(self._sessions) >= limits.PAGE_SESSIONS_MAX:
            raise NotSignedIn("as many people are signed in as can be; try again later")
        token, now = secrets.token_urlsafe(TOKEN_OCTETS), self._behind.monotonic()
        self._sessions[_key(token)] = _Session(
            user=name,
            address=address,
            form=secrets.token_urlsafe(TOKEN_OCTETS),
            password_at=password_at,
            began=now,
            used=now,
        )
        return token

    def person(self, token: str | None, *, by_hand: bool = True) -> Person | None:
        """Who has this cookie; None: nobody any more. by_hand: a person asked, and no timer."""
        state = self._behind.state()
        if not state.users:
            return ANYBODY
        session = self._sessions.get(_key(token)) if token else None
        if session is None:
            return None
        if not self._stands(session, state):
            return None  # until it is swept away, which is told
        if by_hand:
            session.used = self._behind.monotonic()
        roles = state.users[session.user].roles
        return Person(name=session.user, roles=roles, form=session.form)

    async def sign_out(self, token: str | None) -> None:
        if token:
            await self._end(_key(token), SessionHappening.SIGNED_OUT)

    async def sweep(self) -> None:
        """Every session that does not stand any more ends."""
        state = self._behind.state()
        for key, one in list(self._sessions.items()):
            if not self._stands(one, state):
                await self._end(key, SessionHappening.OVER)

    def of(self, user: str) -> int:
        """At how many places they are signed in."""
        state = self._behind.state()
        own = [one for one in self._sessions.values() if one.user == user]
        return sum(self._stands(one, state) for one in own)

    async def _end(self, key: str, happening: SessionHappening) -> None:
        ended = self._sessions.pop(key, None)
        if ended is not None:
            await self._access.session(ended.user, happening, ended.address)

    def _stands(self, session: _Session, state: State) -> bool:
        user = state.users.get(session.user)
        if user is None or user.password_at != session.password_at:
            return False
        now, page = self._behind.monotonic(), self._behind.site().file.page
        if page is None or now - session.began >= page.session_h * HOUR_S:
            return False
        return _only_looks(user.roles) or now - session.used < limits.PAGE_ACTING_IDLE_S


def _only_looks(roles: Collection[Role]) -> bool:
    """Their page may stay open on a display, where nobody touches it."""
    return ONLY_LOOKING.issuperset(roles)


def _key(token: str) -> str:
    """What is kept of it: who reads the memory or a dump can't use it."""
    return hashlib.sha256(token.encode(errors="replace")).hexdigest()
