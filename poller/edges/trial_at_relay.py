"""A trial on the bench: one relay polled for a while as the service would, and nothing else."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field, replace
from random import Random

from poller.answers.load import Traffic
from poller.answers.trial_at_relay import Measured
from poller.decide import SiteRead, decide
from poller.edges.clock import Clock
from poller.edges.fleet import Fleet
from poller.edges.link import Connect
from poller.edges.rounds import Unit
from poller.edges.tap import Tap
from poller.judging.findings import Finding, NoMapFits, Noted
from poller.model.standing import State
from poller.site.settings import RelayEntry, Site, SiteFile, pace
from poller.state import fold


@dataclass(slots=True)
class _Heard:
    missed: int = 0
    notes: dict[str, None] = field(default_factory=dict)  # each once

    def told(self, unit: Unit, found: tuple[Finding, ...]) -> None:
        self.missed += unit.watch.misses > 0
        for finding in found:
            match finding:
                case NoMapFits():
                    self.notes["no listed map fits what it says it is: see: bayroll read"] = None
                case Noted(says=says):
                    self.notes[f"it {says}: see: bayroll try-map"] = None


async def measure(
    site: Site,
    relay: str,
    *,
    connect: Connect,
    clock: Clock,
    random: Random,
    for_s: float,
    enough: asyncio.Event | None = None,
) -> Measured:
    """Polls that relay of the site for so long, or until enough is set.

    connect: as loop.create_connection. Nothing is kept or told to anybody.
    """
    entry = site.relay(relay)
    alone = replace(site, file=_with(site.file, entry))
    events = decide(State(), alone, SiteRead(), clock.utc()).events
    state = fold(State(), enumerate(events, start=1))
    tap = Tap(connect, clock.mono, gateway=entry.behind_serial)
    heard, started = _Heard(), clock.mono()
    fleet = Fleet(connect=tap.connect, clock=clock, random=random, told=heard.told, spread_s=0)
    async with asyncio.TaskGroup() as group:
        await fleet.arrange(alone, state, group)
        try:
            async with asyncio.timeout(for_s):
                await (enough or asyncio.Event()).wait()
        except TimeoutError:
            pass
        tap.settle(pace(site.file.intervals, entry).reply_timeout_s)
        found = _measured(tap, heard, fleet.visits(), clock.mono() - started)
        await fleet.stop()
    return found


def _with(file: SiteFile, entry: RelayEntry) -> SiteFile:
    """Of all relays that one. Not by model_copy, which keeps the list by id of the others."""
    values = {name: getattr(file, name) for name in SiteFile.model_fields}
    return SiteFile.model_construct(**values | {"relays": (entry,)})


def _measured(tap: Tap, heard: _Heard, visits: int, took_s: float) -> Measured:
    return Measured(
        took_s=took_s,
        traffic=Traffic(
            requests=tap.requests,
            sent=tap.sent,
            received=tap.received,
            connections=tap.connections,
        ),
        times_s=tuple(tap.times_s),
        exceptions=dict(tap.exceptions),
        unanswered=tap.unanswered,
        garbled=tap.garbled,
        refused=tap.refused,
        lost=tap.lost,
        visits=visits,
        missed=heard.missed,
        notes=tuple(heard.notes),
    )
