"""IEC 60870-5-104 outstation: the operator's alarms as single points, for SCADA that calls us.

Each group of clients has a place in the journal of its own, up to which one of its clients has
confirmed all. The cursor stands where the group does that is furthest: while none takes anything,
events wait in the journal; while one does, the changes for the others wait here, and are read again
from the journal after a restart. What can't wait any more is lost and told by the overflow point.
"""

from __future__ import annotations

import asyncio
import ssl
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from random import Random

import structlog

from poller.certificates import Renewable
from poller.model import limits
from poller.model.backoff import Backoff
from poller.model.events import Recorded
from poller.model.listening import not_opened
from poller.model.standing import State
from poller.publishing.iec104.clients import Clients
from poller.publishing.iec104.feed import Feed
from poller.publishing.iec104.group import Group
from poller.publishing.iec104.server import Outstation
from poller.publishing.iec104.settings import Iec104Settings
from poller.publishing.iec104.station import Station
from poller.publishing.ports import Context, OutputStatus
from poller.publishing.tls import tls_server_context, usable

log = structlog.get_logger(__name__)


def open_output(context: Context) -> Iec104Output:
    """Raises pydantic.ValidationError or Faulty; opens no port yet. context.extra: as for mqtt."""
    settings = Iec104Settings.model_validate(dict(context.settings))
    output = Iec104Output(context, settings)
    usable(output.tls, at=f"outputs.{context.name}.tls")
    return output


class Iec104Output:
    """ports.Output. Pumped by deliver(), which knows what happened; served by run()."""

    def __init__(self, context: Context, settings: Iec104Settings) -> None:
        self.name = context.name
        self._context, self._settings = context, settings
        self._folder = Path(context.extra.get("folder", "."))
        self._backoff = Backoff(
            context.extra.get("random") or Random(),  # noqa: S311 - jitter, no secret
            first_s=limits.OUTPUT_RETRY_FIRST_S,
            cap_s=limits.OUTPUT_RETRY_CAP_S,
        )
        self._clients = [
            Clients(group=Group(name, settings.overflow_address), networks=networks)
            for name, networks in settings.groups.items()
        ]
        self._feed = Feed(context, settings.first_address, self._clients)
        self._moved = asyncio.Event()
        self._there: set[str] = set()  # groups that are logged as connected
        self._outstation: Outstation | None = None
        self._shows: Renewable | None = None
        self._says = f"does not listen on {self._place} yet"

    @property
    def _place(self) -> str:
        return f"{self._settings.host}:{self._settings.port}"

    @property
    def listens(self) -> tuple[str, int]:
        return self._settings.host, self._settings.port

    def status(self) -> OutputStatus:
        """Connected: every group has a client that takes what is sent."""
        if self._outstation is None:
            return OutputStatus(connected=False, says=self._says)
        says = "; ".join((f"listens on {self._place}", *(one.says for one in self._clients)))
        if self._outstation.refused is not None:
            says += f"; refused last: {self._outstation.refused}"
        if self._shows is not None:
            says += self._shows.says
        return OutputStatus(connected=all(one.started for one in self._clients), says=says)

    async def deliver(self, events: Sequence[Recorded], state: State) -> int:
        """As ports.Output. Acknowledged is what one of the groups has."""
        await self._feed.begin(state)
        if not events:
            return self._context.reader.cursor(self.name)
        await self._feed.take(events, state)
        last = events[-1].seq
        while self._feed.position < last:
            self._moved.clear()
            with suppress(TimeoutError):
                async with asyncio.timeout(limits.IEC104_LOOK_S):
                    await self._moved.wait()
            self._feed.take_ahead()
        await self._feed.note()
        return last

    async def run(self) -> None:
        while True:
            outstation = self._made()
            try:
                self._shows = self._certified()
                tls = None if self._shows is None else self._shows.context
                await outstation.open(self._settings.host, self._settings.port, tls)
            except (OSError, ValueError) as reason:  # ValueError: a host that is no name
                self._away(reason)
            else:
                self._backoff.reset()
                log.info("output listens", output=self.name, place=self._place)
                self._outstation = outstation
                while outstation.is_open:
                    await asyncio.sleep(limits.IEC104_NOTE_S)
                    await self._feed.note()
                    self._log_changes()
                    if self._shows is not None:
                        self._shows.look()
            finally:
                self._outstation = None
                outstation.end()
            await asyncio.sleep(self._backoff.next_s())

    def tls(self) -> ssl.SSLContext | None:
        """Made anew for each time of listening. Raises OSError."""
        certified = self._certified()
        return None if certified is None else certified.context

    def _certified(self) -> Renewable | None:
        """Raises OSError."""
        tls = self._settings.tls
        if tls is None:
            return None
        files = [self._folder / name for name in (tls.certificate, tls.key, tls.ca) if name]
        return Renewable(lambda: tls_server_context(tls, self._folder), files, of=self.name)

    # Small things.

    def _made(self) -> Outstation:
        settings = self._settings
        return Outstation(
            station=Station(
                common=settings.common_address,
                first=settings.first_address,
                overflow=settings.overflow_address,
                numbers=self._feed.numbers,
                picture=self._feed.picture,
            ),
            clients=self._clients,
            clients_max=settings.clients_max,
            times=settings.times,
            moved=self._moved.set,
            now=self._context.now,
            kept=self._feed.kept,
        )

    def _log_changes(self) -> None:
        """At each look, so that a client that comes and goes all the time fills no disk."""
        for clients in self._clients:
            name = clients.group.name
            if clients.started != (name in self._there):
                self._there ^= {name}
                log.info(
                    "output client", output=self.name, started=clients.started, says=clients.says
                )

    def _away(self, reason: Exception) -> None:
        """Told once for each reason, not at each try."""
        says = not_opened(self._place, reason)
        if says != self._says:
            log.warning("output away", output=self.name, reason=says)
        self._says = says
