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
from math import inf
from pathlib import Path
from random import Random
from typing import Final

import structlog

from poller.model import limits
from poller.model.backoff import Backoff
from poller.model.events import Recorded
from poller.model.problems import Faulty, Problem
from poller.model.standing import State
from poller.model.text import shown
from poller.publishing.iec104_changes import Changes
from poller.publishing.iec104_group import Group
from poller.publishing.iec104_points import Numbers, Picture, picture
from poller.publishing.iec104_server import Clients, Outstation
from poller.publishing.iec104_settings import Iec104Settings
from poller.publishing.iec104_station import Station
from poller.publishing.ports import Context, OutputStatus
from poller.publishing.tls import tls_server_context

log = structlog.get_logger(__name__)

PLACE: Final = "group "  # begins the name under which a group's place is noted


def open_output(context: Context) -> Iec104Output:
    """Raises pydantic.ValidationError or Faulty; opens no port yet. context.extra: as for mqtt."""
    settings = Iec104Settings.model_validate(dict(context.settings))
    output = Iec104Output(context, settings)
    try:
        output.tls()
    except OSError as reason:
        raise Faulty(
            [
                Problem(
                    code="output-tls",
                    file="",
                    at=f"outputs.{context.name}.tls",
                    what=f"a certificate, key or CA file can't be used: {reason}",
                    mend="name PEM files that this user may read, certificate and key of one pair",
                )
            ]
        ) from reason
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
        self._groups = [clients.group for clients in self._clients]
        self._numbers = Numbers(context.state().points, context.site)
        self._picture: tuple[State | None, Picture] = None, picture(State())
        self._changes = Changes(settings.first_address)
        self._taken: int | None = None  # the last event of which changes were made
        self._noted: dict[str, str | None] = {}
        self._moved = asyncio.Event()
        self._outstation: Outstation | None = None
        self._says = f"does not listen on {self._place} yet"

    @property
    def _place(self) -> str:
        return f"{self._settings.host}:{self._settings.port}"

    def status(self) -> OutputStatus:
        """Connected: every group has a client that takes what is sent."""
        if self._outstation is None:
            return OutputStatus(connected=False, says=self._says)
        groups = [
            f"{one.group.name}: {'connected' if one.started else 'no client'}"
            f", changes waiting: {one.group.waiting}{', some were lost' * one.group.overflow}"
            for one in self._clients
        ]
        says = f"listens on {self._place}; {'; '.join(groups)}"
        return OutputStatus(connected=all(one.started for one in self._clients), says=says)

    async def deliver(self, events: Sequence[Recorded], state: State) -> int:
        """As ports.Output. Acknowledged is what one of the groups has."""
        if self._taken is None:
            self._taken = await self._begin(state)
            if self._taken >= state.seq:
                self._changes.begin(picture(state))
        if not events:
            return self._context.reader.cursor(self.name)
        await self._read_again(events[0].seq - 1, state)
        self._take(events, state)
        last = events[-1].seq
        while max(group.position for group in self._groups) < last:
            self._moved.clear()
            with suppress(TimeoutError):
                async with asyncio.timeout(limits.IEC104_LOOK_S):
                    await self._moved.wait()
            self._take_ahead()
        await self._note()
        return last

    async def run(self) -> None:
        while True:
            outstation = self._made()
            try:
                await outstation.open(self._settings.host, self._settings.port, self.tls())
            except (OSError, ValueError) as reason:  # ValueError: a host that is no name
                self._away(reason)
            else:
                self._backoff.reset()
                log.info("output listens", output=self.name, place=self._place)
                self._outstation = outstation
                while outstation.is_open:
                    await asyncio.sleep(limits.IEC104_NOTE_S)
                    await self._note()
            finally:
                self._outstation = None
                outstation.end()
            await asyncio.sleep(self._backoff.next_s())

    def tls(self) -> ssl.SSLContext | None:
        """Made anew for each time of listening. Raises OSError."""
        tls = self._settings.tls
        return None if tls is None else tls_server_context(tls, self._folder)

    # From events to changes.

    async def _begin(self, state: State) -> int:
        """Where each group goes on; a new one with what is to come, as it asks for what is."""
        noted = self._context.reader.retained(self.name)
        names = {PLACE + group.name for group in self._groups}
        gone: dict[str, str | None] = dict.fromkeys(noted.keys() - names)
        if gone:  # should one come back it is a new one
            await self._context.committer.note_retained(self.name, gone)
        for group in self._groups:
            place = noted.get(PLACE + group.name, "")
            if not place.isdecimal():
                place = str(state.seq)
                # kept, and not only noted: else it could begin later still, after a crash
                await self._context.committer.keep(self.name, PLACE + group.name, place)
            group.begin(int(place))
        return min(group.position for group in self._groups)

    async def _read_again(self, until: int, state: State) -> None:
        """Events that were given before, for groups that had not confirmed them."""
        assert self._taken is not None
        if until - self._taken > limits.IEC104_BEHIND_MAX:
            self._lose(until - limits.IEC104_BEHIND_MAX)
        while self._taken < until:
            events = self._context.reader.read(self._taken, limits.OUTPUT_BATCH_MAX)
            if not events or events[0].seq > until:
                self._lose(until)
                return
            if events[0].seq > self._taken + 1:  # the journal no longer holds them
                self._lose(events[0].seq - 1)
            self._take([one for one in events if one.seq <= until], state)
            await asyncio.sleep(0)

    def _take_ahead(self) -> None:
        """A client may confirm late, by t2: what happens meanwhile does not wait for that."""
        assert self._taken is not None
        waiting = [one.group.waiting for one in self._clients if one.started]
        state = self._context.state()
        if self._taken < state.seq and min(waiting, default=inf) < limits.OUTPUT_BATCH_MAX:
            events = self._context.reader.read(self._taken, limits.OUTPUT_BATCH_MAX)
            self._take([one for one in events if one.seq <= state.seq], state)

    def _lose(self, until: int) -> None:
        self._taken = until
        for group in self._groups:
            if group.position < until:
                group.lost(until, self._context.now(), kept=self._kept())

    def _take(self, events: Sequence[Recorded], state: State) -> None:
        """state: all events have happened, and perhaps more."""
        assert self._taken is not None
        fresh = [one for one in events if one.seq > self._taken]
        if not fresh:
            return
        if self._numbers.points is not state.points:
            self._numbers = Numbers(state.points, self._context.site)
        last, kept = fresh[-1].seq, self._kept()
        values, topical = self._changes.of(fresh, state, self._numbers, kept=kept)
        for clients in self._clients:
            told = values + topical if clients.started else values
            clients.group.take(told, last, kept=kept)
        self._taken = last
        if self._outstation is not None:
            self._outstation.flush()

    # Small things.

    async def _note(self) -> None:
        """How far each group is."""
        places: dict[str, str | None] = {
            PLACE + group.name: str(group.position) for group in self._groups
        }
        if self._taken is not None and places != self._noted:
            await self._context.committer.note_retained(self.name, places)
            self._noted = places

    def _made(self) -> Outstation:
        settings = self._settings
        return Outstation(
            name=self.name,
            station=Station(
                common=settings.common_address,
                first=settings.first_address,
                overflow=settings.overflow_address,
                numbers=self._numbers_now,
                picture=self._picture_now,
            ),
            clients=self._clients,
            clients_max=settings.clients_max,
            times=settings.times,
            moved=self._moved.set,
            now=self._context.now,
            kept=self._kept,
        )

    def _picture_now(self) -> Picture:
        state = self._context.state()
        if self._picture[0] is not state:
            self._picture = state, picture(state)
        return self._picture[1]

    def _numbers_now(self) -> Numbers:
        points = self._context.state().points
        if self._numbers.points is not points:
            self._numbers = Numbers(points, self._context.site)
        return self._numbers

    def _kept(self) -> bool:
        """Where nothing is known of the clock, nobody is to trust it."""
        return self._context.clock_kept() is True

    def _away(self, reason: Exception) -> None:
        """Told once for each reason, not at each try."""
        why = getattr(reason, "strerror", None) or str(reason)
        says = f"{self._place} can't be opened: {shown(why)}"
        if says != self._says:
            log.warning("output away", output=self.name, reason=says)
        self._says = says
