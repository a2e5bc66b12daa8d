"""Runs what a seed drew: the real service on virtual time; connections and journal in memory."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from random import Random
from typing import Final
from unittest.mock import patch

from poller.edges.machine import Machine
from poller.journal.memory import MemoryCommitter
from poller.model import limits
from poller.model.canonical import whole_ms
from poller.model.events import Recorded
from poller.model.standing import State
from poller.publishing.ports import Inside, Output, OutputStatus
from poller.service import Ports, Service
from poller.site.settings import Site
from simulator.acts import Act
from simulator.bench import Truth
from tests.trials import virtual_loop
from tests.trials.drawing import Drawn
from tests.trials.hands import DeedDone, Done, Hands
from tests.trials.memory_net import Net, Place
from tests.trials.memory_net import Site as NetSite

START: Final = datetime(2026, 3, 1, tzinfo=UTC)
AFTER_S: Final = 60.0  # a run goes on so long after the last of the plan


class TrialClock:
    """mono never steps; the wall clock drifts and is set."""

    def __init__(self, drift: float) -> None:
        self._drift = drift
        self.set_by_s = 0.0

    def mono(self) -> float:
        return asyncio.get_running_loop().time()

    def utc(self) -> datetime:
        return whole_ms(START + timedelta(seconds=self.mono() * self._drift + self.set_by_s))


@dataclass(slots=True)
class Told:
    """A delivery as the output's peer took it, and when."""

    at: float
    seq: int
    id: str
    life: int  # which process of the poller delivered it


@dataclass(slots=True)
class Peer:
    """The output's far end: it takes its time, and is away at times."""

    random: Random
    away: bool = False
    told: list[Told] = field(default_factory=list)
    life: int = 0


class TrialOutput(Output):
    name = "trial"

    def __init__(self, peer: Peer) -> None:
        self._peer = peer

    async def run(self) -> None:
        await asyncio.Event().wait()

    async def deliver(self, events: Sequence[Recorded], state: State) -> int:
        if not events:
            return 0
        acked = events[0].seq - 1
        for event in events:
            if self._peer.away:
                await asyncio.sleep(1)  # as long as it takes to see that nobody is there
                return acked
            now = asyncio.get_running_loop().time()
            self._peer.told.append(Told(now, event.seq, event.id, self._peer.life))
            await asyncio.sleep(self._peer.random.uniform(0, 0.05))
            if self._peer.away:
                return acked  # taken, and the acknowledgement lost
            acked = event.seq
        return acked

    def status(self) -> OutputStatus:
        return OutputStatus(connected=not self._peer.away, says="a trial")


@dataclass(slots=True)
class Ran:
    """All that the oracle needs.

    durable_at: seq to the time at which its commit was told, or at which the process died that did
    not hear of it.
    """

    drawn: Drawn
    events: list[Recorded]
    durable_at: dict[int, float]
    truths: list[tuple[float, Truth]]
    peer: Peer
    net: Net
    lives: list[tuple[float, float]]
    state: State
    durable: State
    reader: MemoryCommitter
    most_waiting: int
    rest_s: float
    hands: list[Done]
    deeds: list[DeedDone]
    drawn_start: datetime = START


class _Watching(MemoryCommitter):
    """The journal in memory, and when each event became durable."""

    noted: dict[int, float]

    def note_times(self, into: dict[int, float]) -> None:
        self.noted = into

    async def commit(self, events, *, command=None):  # type: ignore[no-untyped-def]
        recorded = await super().commit(events, command=command)
        for one in recorded:
            self.noted.setdefault(one.seq, asyncio.get_running_loop().time())
        return recorded


def run(drawn: Drawn) -> Ran:
    """One run; the same plan gives the same result every time."""
    return virtual_loop.run(_run(drawn))


async def _run(drawn: Drawn) -> Ran:
    trial = _Trial(drawn)
    with patch.object(limits, "EVENTS_WAITING_MAX", drawn.waiting_max):
        await trial.play()
    return trial.ran()


class _Trial:
    def __init__(self, drawn: Drawn) -> None:
        self.drawn = drawn
        self.clock = TrialClock(drawn.drift)
        self.bench = drawn.stage.bench(START)
        self.random = Random(drawn.seed + 1)
        self.net = Net(self.bench, _places(drawn), _relays_clock, Random(drawn.seed + 2))
        self.peer = Peer(Random(drawn.seed + 3))
        self.durable_at: dict[int, float] = {}
        self.journal = self._journal(None)
        self.truths: list[tuple[float, Truth]] = []
        self.lives: list[tuple[float, float]] = []
        self.most_waiting = 0
        self.service: Service | None = None  # None while the process is dead
        self.at_work: list[asyncio.Task[None]] = []
        self.hands = Hands(service=lambda: self.service, utc=self.clock.utc)

    def _journal(self, before: MemoryCommitter | None) -> _Watching:
        delays = Random(self.drawn.seed + 4)
        found = _Watching(journal=f"trial-{self.drawn.seed}", delay=lambda: delays.uniform(0, 0.5))
        if before is not None:
            for one in before._events:  # durable, and the process died before it heard so
                self.durable_at.setdefault(one.seq, self.lives[-1][1])
            found.__dict__ |= before.kill().__dict__
            found._delay = lambda: delays.uniform(0, 0.5)
        found.note_times(self.durable_at)
        return found

    async def play(self) -> None:
        """Runs every part of the plan beside the service."""
        loop = asyncio.get_running_loop()
        for cue in self.drawn.stage.story().cues:
            loop.call_at(cue.at_s, self._act, cue.relay, cue.act)
        for at, by_s in self.drawn.steps:
            loop.call_at(at, self._step, by_s)
        for start, end in self.drawn.broker_away:
            loop.call_at(start, setattr, self.peer, "away", True)
            loop.call_at(end, setattr, self.peer, "away", False)
        for start, end in self.drawn.failing:
            loop.call_at(start, self._fail, "the disk is full")
            loop.call_at(end, self._fail, None)
        for errand in self.drawn.errands:
            self.at_work.append(loop.create_task(self.hands.run(errand), name="a person"))
        for deed in self.drawn.deeds:
            self.at_work.append(loop.create_task(self.hands.look_after(deed), name="a person"))
        for at, dead_s in self.drawn.kills:
            await self._live(at)
            await self._between_two_steps()
            await self._kill()
            await asyncio.sleep(dead_s)
            self.journal = self._journal(self.journal)
            self._fail(self._failing_now())
        await self._live(self.drawn.ends + AFTER_S)
        for person in self.at_work:  # what is not done by now will not be done
            person.cancel()
        assert self.service is not None
        self.service.stop()
        await self.task
        self.lives[-1] = (self.lives[-1][0], loop.time())

    async def _live(self, until: float) -> None:
        """Starts a process of the poller and lets it run."""
        loop = asyncio.get_running_loop()
        self.peer.life += 1
        self.lives.append((loop.time(), until))
        self.service = Service(
            self.drawn.site,
            Ports(
                clock=self.clock,
                connect=self.net.connect,
                committer=self.journal,
                reader=self.journal,
                random=Random(self.drawn.seed + 100 + self.peer.life),
                outputs=self._outputs,
                version="trial",
                machine=lambda: Machine(boot="trial"),
            ),
        )
        self.task = loop.create_task(self.service.run(), name="service")
        while loop.time() < until:
            await asyncio.sleep(min(5.0, until - loop.time()))
            self.most_waiting = max(self.most_waiting, self.service.waiting)
            if self.task.done():
                self.task.result()
                raise AssertionError("the service ended by itself")

    async def _between_two_steps(self) -> None:
        """Until something is under way: a request, an answer, a commit, a delivery."""
        with suppress(TimeoutError):
            async with asyncio.timeout(120):
                await self.net.next_request()
        await asyncio.sleep(self.random.choice((0, self.random.uniform(0, 0.7))))

    async def _kill(self) -> None:
        """No goodbye: what was not durable is gone, and nobody hears of the rest."""
        loop = asyncio.get_running_loop()
        self.lives[-1] = (self.lives[-1][0], loop.time())
        self.journal._dead = True
        self.service = None
        self.task.cancel()
        await asyncio.wait([self.task])

    def _outputs(self, site: Site, inside: Inside) -> Sequence[Output]:
        return [TrialOutput(self.peer)]

    def _act(self, relay: str, act: Act) -> None:
        now = asyncio.get_running_loop().time()
        truths = self.bench.do(relay, act, _relays_clock())
        self.truths += [(now, truth) for truth in truths]
        if self.bench.posts[relay].away == "refuse":
            self.net.drop(relay)

    def _step(self, by_s: float) -> None:
        self.clock.set_by_s += by_s

    def _fail(self, reason: str | None) -> None:
        self.journal.failing = reason

    def _failing_now(self) -> str | None:
        now = asyncio.get_running_loop().time()
        within = any(start <= now < end for start, end in self.drawn.failing)
        return "the disk is full" if within else None

    def ran(self) -> Ran:
        assert self.service is not None
        return Ran(
            drawn=self.drawn,
            events=list(self.journal._events),
            durable_at=self.durable_at,
            truths=self.truths,
            peer=self.peer,
            net=self.net,
            lives=self.lives,
            state=self.service.state,
            durable=self.service.durable,
            reader=self.journal,
            most_waiting=self.most_waiting,
            hands=self.hands.done,
            deeds=self.hands.deeds,
            rest_s=(self.drawn.site.file.intervals.rest_ms or 0) / 1000,
        )


def _relays_clock() -> datetime:
    """Relays have clocks of their own, which nobody sets when the poller's is set."""
    return START + timedelta(seconds=asyncio.get_running_loop().time())


def _places(drawn: Drawn) -> dict[Place, NetSite]:
    units: dict[Place, dict[int, str]] = {}
    for entry in drawn.site.file.relays:
        units.setdefault((entry.host, entry.port), {})[entry.unit] = entry.id
    return {
        (entry.host, entry.port): NetSite(
            units=units[entry.host, entry.port],
            slots=entry.client_slots,
            gateway=entry.behind_serial,
        )
        for entry in drawn.site.file.relays
    }
