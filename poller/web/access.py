"""What the journal is told of who came, left, or was refused: no more than somebody can read.

Whoever asks makes these events, so each source has so many of them told one by one in a while; what
is past that is counted, and told as one when the while is over.
"""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field, replace
from typing import Final, TypeAlias

import structlog

from poller.journal import JournalUnusable
from poller.journal.ports import CommitFailed
from poller.model import limits
from poller.model.canonical import whole_ms
from poller.model.events import AccessRefused, SessionChanged
from poller.model.refusal import Refusal
from poller.model.users import SIGN_IN, SessionHappening
from poller.people import Passed
from poller.web.behind import Behind

log = structlog.get_logger()
Told: TypeAlias = SessionChanged | AccessRefused
STRANGERS: Final = ""  # one source: whoever is not signed in can call themselves anything


@dataclass(slots=True)
class _Source:
    begun: float
    told: int = 0
    counted: dict[tuple[str, str], Told] = field(default_factory=dict)


class Access:
    """Every method returns when it is durable, or logged where the journal can't be written now:
    who looks after relays is not kept out by a full disk."""

    def __init__(self, behind: Behind) -> None:
        self._behind = behind
        self._sources: dict[str, _Source] = {}

    async def session(self, user: str, happening: SessionHappening, address: str) -> None:
        body = SessionChanged(user=user, happening=happening, address=address)
        await self._note(user, body, by_them=happening is not SessionHappening.OVER)

    async def not_signed_in(self, name: str, address: str) -> None:
        """name: as it was typed; it is told where somebody has it."""
        user = name if name in self._behind.state().users else None
        body = AccessRefused(what=SIGN_IN, user=user, address=address)
        await self._note(STRANGERS, body, by_them=False)

    async def refused(self, what: str, user: str | None, address: str) -> None:
        """user: who is signed in; None: nobody is."""
        body = AccessRefused(what=what, user=user, address=address)
        await self._note(user or STRANGERS, body, by_them=user is not None)

    async def tell(self) -> None:
        """What was counted in every while that is over."""
        over = [name for name, source in self._sources.items() if self._over(source)]
        for source in [self._sources.pop(name) for name in over]:  # before anything is waited for
            for body in source.counted.values():
                await self._write(body, by=None)

    async def _note(self, name: str, body: Told, *, by_them: bool) -> None:
        await self.tell()
        source = self._sources.setdefault(name, _Source(self._behind.monotonic()))
        if source.told < limits.PAGE_NOTED_MAX:
            source.told += 1
            await self._write(body, by=f"{name} (page)" if by_them else None)
            return
        key = (body.kind, body.what if isinstance(body, AccessRefused) else body.happening)
        before = source.counted.get(key)
        first = replace(body, since=whole_ms(self._behind.now()))
        source.counted[key] = first if before is None else _merged(before, body)

    def _over(self, source: _Source) -> bool:
        return self._behind.monotonic() - source.begun >= limits.PAGE_NOTED_S

    async def _write(self, body: Told, *, by: str | None) -> None:
        try:
            async with asyncio.timeout(limits.PAGE_KEPT_S):
                await self._behind.passed(Passed(body=body), by)
        except (Refusal, CommitFailed, JournalUnusable, TimeoutError) as reason:
            log.warning("access_not_kept_yet", what=body.kind, reason=repr(reason))


def _merged(before: Told, body: Told) -> Told:
    """As one; what they do not share is left out."""
    address = before.address if before.address == body.address else None
    told = replace(before, times=before.times + 1, address=address)
    if isinstance(told, AccessRefused) and told.user != body.user:
        return replace(told, user=None)
    return told
