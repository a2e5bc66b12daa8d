"""OPC UA Alarms and Conditions: the relays and the operator's alarms, served by a process beside.

The library runs there (server.py), so that nothing that a client does to it holds up anything
here. An event counts as delivered once that process shows it; a client that was away asks for a
refresh. A process that was started anew is told everything as it is now.
"""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from importlib.metadata import version
from pathlib import Path
from random import Random
from typing import Any, Final

import structlog

from poller.alarms.requests import AckAlarm
from poller.journal.ports import CommitFailed
from poller.model import limits
from poller.model.alarms import Priority
from poller.model.events import Recorded
from poller.model.problems import Faulty, Problem
from poller.model.refusal import Refusal
from poller.model.standing import State
from poller.model.text import shown
from poller.publishing.child import Child, ChildEnded, keep
from poller.publishing.opcua.mirror import Mirror
from poller.publishing.opcua.settings import OpcUaSettings, Person, wrong_with
from poller.publishing.ports import Context, OutputStatus
from poller.publishing.together import first_to_fail
from poller.site.shipped_alarms import catalogue_of

log = structlog.get_logger(__name__)

MODULE: Final = "poller.publishing.opcua.server"
OVER: Final = "opcua"
NO_COMMENT: Final = "(no comment)"
OWN_CERTIFICATE, OWN_KEY = "opcua-certificate.pem", "opcua-key.pem"


def open_output(context: Context) -> OpcUa:
    """Raises pydantic.ValidationError or Faulty; starts nothing yet.

    context.extra["folder"]: where relative names of files begin; ["random"]: as for mqtt.
    """
    settings = OpcUaSettings.model_validate(dict(context.settings))
    problem = wrong_with(settings)
    if problem is not None:
        code, at, what, mend = problem
        place = f"outputs.{context.name}{at}"
        raise Faulty([Problem(code=code, file="", at=place, what=what, mend=mend)])
    return OpcUa(context, settings)


class OpcUa:
    """ports.Output."""

    def __init__(self, context: Context, settings: OpcUaSettings) -> None:
        self.name = context.name
        self._context, self._settings = context, settings
        self._place = f"{settings.host}:{settings.port}"
        self._given: tuple[Sequence[Recorded], State] | None = None
        self._wake = asyncio.Event()
        self._took, self._moved = -1, asyncio.Event()
        self._acked: int | None = None
        self._asked: asyncio.Queue[dict[str, str]] = asyncio.Queue(limits.OPCUA_ASKED_MAX)
        self._clients: int | None = None  # None: it does not serve
        self._says = f"{self._place}: not started yet"

    @property
    def listens(self) -> tuple[str, int]:
        return self._settings.host, self._settings.port

    def status(self) -> OutputStatus:
        if self._clients is None:
            return OutputStatus(connected=False, says=self._says)
        says = f"serves on {self._place}; clients: {self._clients}"
        return OutputStatus(connected=True, says=says)

    async def deliver(self, events: Sequence[Recorded], state: State) -> int:
        """As ports.Output: returns once the process shows all of it."""
        if self._acked is None:
            self._acked = self._context.reader.cursor(self.name)
        self._given = events, state
        self._wake.set()
        wanted = events[-1].seq if events else state.seq
        while self._took < wanted:
            await self._moved.wait()
        if events:
            self._acked = wanted
        return self._acked

    async def run(self) -> None:
        random = self._context.extra.get("random") or Random()  # noqa: S311 - jitter, no secret
        await keep(MODULE, self._live, name=self.name, random=random, told=self._away)

    def _away(self, why: str) -> None:
        self._says = f"{self._place}: {why}"

    # One life of the process.

    async def _live(self, child: Child) -> None:
        self._asked = asyncio.Queue(limits.OPCUA_ASKED_MAX)
        try:
            await child.send(self._to_serve())
            await first_to_fail(self._feed(child), self._listen(child), self._answer(child))
        finally:
            self._took, self._clients = -1, None

    async def _feed(self, child: Child) -> None:
        severities = self._settings.severities
        by_priority = {one: getattr(severities, one.value) for one in Priority}
        mirror = Mirror(self._context.site.file.name, by_priority)
        while True:
            self._wake.clear()
            if self._given is not None:
                for message in mirror.bring_up(*self._given):
                    await child.send(message)
                    await asyncio.sleep(0)  # a whole site is made and sent in some time
            await self._wake.wait()

    async def _listen(self, child: Child) -> None:
        while True:
            match await child.heard():
                case {"said": "up_to", "seq": int(seq)}:
                    self._took = seq
                    moved, self._moved = self._moved, asyncio.Event()
                    moved.set()
                case {"said": "serves"}:
                    self._clients = 0
                    log.info("output serves", output=self.name, place=self._place)
                case {"said": "clients", "count": int(count)}:
                    self._clients = count
                case {"said": "acknowledge", **asked}:
                    if self._asked.full():  # the book is slow; whoever asked hears BadTimeout
                        log.warning("acknowledgement dropped", output=self.name)
                        continue
                    self._asked.put_nowait({name: str(text) for name, text in asked.items()})
                case _:
                    raise ChildEnded("its process said what nobody understands")

    async def _answer(self, child: Child) -> None:
        """Acknowledgements, one after the other."""
        while True:
            asked = await self._asked.get()
            refused = await self._acknowledged(**asked)
            if refused is not None:
                log.warning("acknowledgement refused", output=self.name, why=refused)
            await child.send({"do": "answer", "number": asked["number"], "refused": refused})

    async def _acknowledged(self, alarm: str, number: str, comment: str, user: str) -> str | None:
        """Why not; None: it is durable."""
        why = shown(comment, limits.REASON_MAX) if comment.strip() else NO_COMMENT
        by = f"{shown(user, limits.PERSON_MAX)} (over {OVER})"
        try:
            await self._context.acknowledge(AckAlarm(alarm=alarm, why=why, over=OVER), number, by)
        except (Refusal, CommitFailed) as reason:
            return str(reason)
        return None

    # What it is told first.

    def _to_serve(self) -> dict[str, Any]:
        """Raises ChildEnded where a password is not to be had."""
        site, settings = self._context.site.file, self._settings
        catalogue = catalogue_of(self._context.site)
        folder = Path(self._context.extra.get("folder", ".")).absolute()
        own = (folder / site.journal.file).parent
        return {
            "host": settings.host,
            "port": settings.port,
            "site": site.site,
            "name": shown(site.name),
            "version": version("bayroll"),
            "certificate": str(folder / (settings.certificate or own / OWN_CERTIFICATE)),
            "key": str(folder / (settings.key or own / OWN_KEY)),
            "make": settings.certificate is None,
            "trusted": str(folder / settings.trusted),
            "anonymous": settings.anonymous,
            "people": {person.name: self._password(person) for person in settings.people},
            "sessions_max": settings.sessions_max,
            "here": catalogue.acknowledged_over == OVER,
            "shelved_ms_max": catalogue.shelving_max_h * 3_600_000,
        }

    def _password(self, person: Person) -> str:
        """Looked up for each life, so that a changed one is taken when the service reloads."""
        named = person.password
        place = f"environment variable {named.env}" if named.env else f"file {named.file}"
        try:
            value = self._context.secrets(named)
        except (OSError, ValueError) as reason:  # ValueError: a file that is no text
            raise ChildEnded(f"the password of {shown(person.name)}: {place}: {reason}") from reason
        if not value:
            raise ChildEnded(f"the password of {shown(person.name)}: {place} is not set")
        return value
