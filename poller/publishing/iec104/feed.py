"""From the journal to groups of clients, each from the place up to which it has confirmed all."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from math import inf
from typing import Final

from poller.model import limits
from poller.model.events import Recorded
from poller.model.standing import State
from poller.publishing.iec104.changes import Changes
from poller.publishing.iec104.clients import Clients
from poller.publishing.iec104.group import Group
from poller.publishing.iec104.points import Numbers, Picture, picture
from poller.publishing.ports import Context

PLACE: Final = "group "  # begins the name under which a group's place is noted


class Feed:
    """first: information object address of the point with number 0."""

    def __init__(self, context: Context, first: int, clients: Sequence[Clients]) -> None:
        self._context, self._clients = context, clients
        self._changes = Changes(first)
        self._numbers = Numbers(context.state().points, context.site)
        self._picture: tuple[State | None, Picture] = None, picture(State())
        self._taken: int | None = None  # the last event of which changes were made
        self._noted: dict[str, str | None] = {}

    @property
    def _groups(self) -> list[Group]:
        return [one.group for one in self._clients]

    @property
    def position(self) -> int:
        """seq of the last event up to which some group has confirmed all."""
        return max(group.position for group in self._groups)

    async def begin(self, state: State) -> None:
        """Where each group goes on; a new one with what is to come, as it asks for what is."""
        if self._taken is not None:
            return
        name, committer = self._context.name, self._context.committer
        noted = self._context.reader.retained(name)
        places = {PLACE + group.name: group for group in self._groups}
        gone: dict[str, str | None] = dict.fromkeys(noted.keys() - places)
        if gone:  # should one come back it is a new one
            await committer.note_retained(name, gone)
        for key, group in places.items():
            place = noted.get(key, "")
            if not place.isdecimal():
                place = str(state.seq)
                # kept, and not only noted: else it could begin later still, after a crash
                await committer.keep(name, key, place)
            group.begin(int(place))
        self._taken = min(group.position for group in self._groups)
        if self._taken >= state.seq:
            self._changes.begin(picture(state))

    async def take(self, events: Sequence[Recorded], state: State) -> None:
        """As Output.deliver, after begin(). What lies before them and is lacked is read again."""
        await self._read_again(events[0].seq - 1, state)
        self._take(events, state)

    def take_ahead(self) -> None:
        """A client may confirm late, by t2: what happens meanwhile does not wait for that."""
        assert self._taken is not None
        waiting = [one.group.waiting for one in self._clients if one.started]
        state = self._context.state()
        if self._taken < state.seq and min(waiting, default=inf) < limits.OUTPUT_BATCH_MAX:
            events = self._context.reader.read(self._taken, limits.OUTPUT_BATCH_MAX)
            self._take([one for one in events if one.seq <= state.seq], state)

    async def note(self) -> None:
        """How far each group is."""
        places: dict[str, str | None] = {
            PLACE + group.name: str(group.position) for group in self._groups
        }
        if self._taken is not None and places != self._noted:
            await self._context.committer.note_retained(self._context.name, places)
            self._noted = places

    # How things stand now, whatever was taken.

    def picture(self) -> Picture:
        state = self._context.state()
        if self._picture[0] is not state:
            self._picture = state, picture(state)
        return self._picture[1]

    def numbers(self) -> Numbers:
        return self._numbers_of(self._context.state())

    def kept(self) -> bool:
        """The clock is. Where nothing is known of it, nobody is to trust it."""
        return self._context.clock_kept() is True

    # Inside.

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

    def _lose(self, until: int) -> None:
        self._taken = until
        for group in self._groups:
            if group.position < until:
                group.lost(until, self._context.now(), kept=self.kept())

    def _take(self, events: Sequence[Recorded], state: State) -> None:
        """state: all events have happened, and perhaps more."""
        assert self._taken is not None
        fresh = [one for one in events if one.seq > self._taken]
        if not fresh:
            return
        last, kept = fresh[-1].seq, self.kept()
        values, topical = self._changes.of(fresh, state, self._numbers_of(state), kept=kept)
        for one in self._clients:
            told = values + topical if one.started else values
            one.group.take(told, last, kept=kept)
            one.flush()
        self._taken = last

    def _numbers_of(self, state: State) -> Numbers:
        if self._numbers.points is not state.points:
            self._numbers = Numbers(state.points, self._context.site)
        return self._numbers
