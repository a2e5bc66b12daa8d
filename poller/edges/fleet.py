"""The relays of a site as endpoints that poll; follows the site file when it is read again."""

from __future__ import annotations

import asyncio
from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field
from random import Random
from typing import Final, TypeAlias

import structlog

from poller.edges.clock import Clock, moment
from poller.edges.deadlines import Deadlines
from poller.edges.link import Connect, Link
from poller.edges.progress import Part
from poller.edges.rounds import Unit
from poller.edges.schedule import Endpoint, Told
from poller.judging.confirm import NO_NAMES, Claim, Known
from poller.judging.last_read import LastRead
from poller.judging.watch import Memory, Watch
from poller.model.standing import Relay, State
from poller.model.status import StatusReading
from poller.reading.read_plan import CompiledMap, compile_map
from poller.site.register_map import RegisterMap
from poller.site.settings import Pace, RelayEntry, Site, pace

log = structlog.get_logger()
SPREAD_S: Final = 5.0  # first visits are spread over at most so long, where relays are few
MANY: Final = 2_000  # take twice that time, and more their square: each event copies them all
Place: TypeAlias = tuple[str, int]  # host, port


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """All that decides how a relay is polled; equal wishes need no restart."""

    entry: RelayEntry
    pace: Pace
    maps: tuple[RegisterMap, ...]
    source: str | None


@dataclass(slots=True, kw_only=True)
class Running:
    wishes: tuple[Wish, ...]
    endpoint: Endpoint
    task: asyncio.Task[None]


@dataclass(slots=True, kw_only=True)
class Fleet:
    """told: called after each visit. Endpoints are tasks of the group given to arrange.

    spread_s: over which the first visits are spread.
    """

    connect: Connect
    clock: Clock
    random: Random
    told: Told
    spread_s: float = SPREAD_S
    _running: dict[Place, Running] = field(default_factory=dict)
    _deadlines: Deadlines = field(default_factory=Deadlines)
    _units: dict[str, Unit] = field(default_factory=dict)
    _compiled: dict[str, tuple[RegisterMap, CompiledMap]] = field(default_factory=dict)

    async def arrange(self, site: Site, state: State, group: asyncio.TaskGroup) -> None:
        """Starts, stops and restarts endpoints until they are what the site says."""
        wanted = _wishes(site)
        for place in [p for p, run in self._running.items() if wanted.get(p) != run.wishes]:
            await self._end(place)
        new = {place: of for place, of in wanted.items() if place not in self._running}
        relays = sum(len(wishes) for wishes in new.values())
        told_s = 2 * SPREAD_S * (relays / MANY) * (len(site.file.relays) / MANY)
        for place, wishes in new.items():
            self._start(place, wishes, state, group, told_s)

    async def stop(self) -> None:
        for place in list(self._running):
            await self._end(place)

    async def set_paused(self, relay: str, paused: bool) -> None:
        for run in self._running.values():
            if any(unit.relay == relay for unit in run.endpoint.units):
                await run.endpoint.set_paused(relay, paused)

    def endpoint(self, host: str, port: int) -> Endpoint | None:
        """The one that holds the connection there, if one does."""
        run = self._running.get((host, port))
        return run.endpoint if run else None

    def forget_unconfirmed(self, state: State, relays: Collection[str] | None = None) -> None:
        """After findings were dropped: the watches of these relays, or all, start again from what
        events have told, and soon."""
        for run in self._running.values():
            for unit in run.endpoint.units:
                if relays is None or unit.relay in relays:
                    now, known = moment(self.clock), memory(state.relays[unit.relay])
                    soon = now.mono + self.random.uniform(0, self.spread_s)
                    unit.watch.forget_unconfirmed(known, now, soon)
                    run.endpoint.look_again()

    def readings(self) -> dict[str, StatusReading]:
        """The last status reading of each relay that has one."""
        return dict(self._readings())

    def last_read(self, relay: str) -> LastRead | None:
        """None: it is not polled here, or was not yet."""
        unit = self._units.get(relay)
        return None if unit is None else unit.watch.last_read(moment(self.clock))

    def parts(self) -> Iterator[Part]:
        """Each connection, for the watch over progress."""
        for (host, port), run in self._running.items():
            yield run.endpoint.part(f"{host}:{port}")

    def visits(self) -> int:
        """How many were made through the connections that there are."""
        return sum(run.endpoint.visits for run in self._running.values())

    def unit(self, relay: str) -> Unit | None:
        return self._units.get(relay)

    def _readings(self) -> Iterator[tuple[str, StatusReading]]:
        now = moment(self.clock)
        for name, unit in self._units.items():
            reading = unit.watch.reading(now)
            if reading is not None:
                yield name, reading

    async def _end(self, place: Place) -> None:
        run = self._running.pop(place)
        run.task.cancel()
        await asyncio.wait([run.task])
        for unit in run.endpoint.units:
            del self._units[unit.relay]

    def _start(
        self,
        place: Place,
        wishes: tuple[Wish, ...],
        state: State,
        group: asyncio.TaskGroup,
        told_s: float,
    ) -> None:
        """told_s: the time it takes to tell of all that are started with it."""
        first = wishes[0]
        gateway = first.entry.behind_serial
        link = Link(
            self.connect,
            *place,
            source=first.source,
            gateway=gateway,
            rest_ms=max(wish.pace.rest_ms for wish in wishes),
            monotonic=self.clock.mono,
            deadlines=self._deadlines,
        )
        units = [self._unit(wish, state, told_s) for wish in wishes]
        endpoint = Endpoint(
            link=link,
            units=units,
            clock=self.clock,
            random=self.random,
            gateway=gateway,
            held=first.entry.held,
            told=self.told,
        )
        self._units |= {unit.relay: unit for unit in units}
        task = group.create_task(endpoint.run(), name=f"poll {place[0]}:{place[1]}")
        self._running[place] = Running(wishes=wishes, endpoint=endpoint, task=task)

    def _unit(self, wish: Wish, state: State, told_s: float) -> Unit:
        entry, relay = wish.entry, state.relays[wish.entry.id]
        spread_s = max(min(self.spread_s, wish.pace.status_s), told_s)
        start = self.clock.mono() + self.random.uniform(0, spread_s)
        watch = Watch(
            pace=wish.pace,
            maps=[self._compile(used) for used in wish.maps],
            memory=memory(relay),
            next_status=start,
            next_nameplate=start,
        )
        return Unit(relay=entry.id, unit=entry.unit, watch=watch, paused=state.rests(entry.id))

    def _compile(self, used: RegisterMap) -> CompiledMap:
        kept = self._compiled.get(used.map)
        if kept is None or kept[0] != used:
            kept = self._compiled[used.map] = (used, compile_map(used))
        return kept[1]


def memory(relay: Relay) -> Memory:
    """What a watch needs to know of what events have told."""
    believed = None
    if relay.misfit is not None:
        believed = Claim(nameplate=relay.misfit, map=None)
    elif relay.nameplate is not None:
        believed = Claim(nameplate=relay.nameplate, map=relay.map)
    return Memory(
        believed=believed,
        nameplate=relay.nameplate,
        known=Known(
            flags=frozenset(relay.flags) or NO_NAMES,
            health=relay.health,
            behaviour=relay.behaviour,
            setting_group=relay.setting_group,
        ),
        answering=relay.answering,
        unreadable=relay.unreadable_since is not None,
        seen_day=relay.seen_day,
        findings=frozenset(relay.findings) or NO_NAMES,
    )


def _wishes(site: Site) -> Mapping[Place, tuple[Wish, ...]]:
    found: dict[Place, list[Wish]] = defaultdict(list)
    paces: dict[Pace, Pace] = {}  # thousands of relays share a few, and what they share stays near
    for entry in site.file.relays:
        own = pace(site.file.intervals, entry)
        wish = Wish(
            entry=entry,
            pace=paces.setdefault(own, own),
            maps=tuple(site.maps[name] for name in entry.maps),
            source=site.file.source_address,
        )
        found[entry.host, entry.port].append(wish)
    return {place: tuple(wishes) for place, wishes in found.items()}
