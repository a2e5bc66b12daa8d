"""The service: wires relays, judging, journal and outputs, and keeps them running.

A finding is decided on at once against the working state and queued for the committer; outputs see
durable state only. One task polls each host:port, one commits, one delivers to each output.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import Awaitable, Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from random import Random
from typing import Any, Final

import structlog

from poller.alarms.book import due
from poller.alarms.requests import AckAlarm
from poller.decide import (
    About,
    Command,
    Decision,
    Gap,
    Input,
    Refusal,
    SiteRead,
    Started,
    Stepped,
    Stopping,
    decide,
)
from poller.edges.clock import LOOK_EVERY_S, Clock, Steps
from poller.edges.commands import answer_to
from poller.edges.fleet import Fleet
from poller.edges.link import Connect
from poller.edges.machine import Machine
from poller.edges.own_facts import Fact, OwnFacts, of_the_machine
from poller.edges.progress import Part
from poller.edges.rounds import Unit
from poller.journal.ports import CommitFailed, Committer, Reader
from poller.journal.store import CommandRepeated, JournalUnusable
from poller.journal.waiting import Waiting
from poller.judging.findings import Finding
from poller.model import limits
from poller.model.alarms import Cause, Own
from poller.model.canonical import plain
from poller.model.events import Event, Recorded
from poller.model.problems import Faulty, Problem
from poller.model.standing import State
from poller.model.status import Quality, StatusReading
from poller.people import Passed
from poller.publishing.port import Durable, Pump
from poller.publishing.ports import Inside, Output
from poller.site.settings import Site
from poller.state import fold
from poller.work.requests import Attend

log = structlog.get_logger()
LOOK_AGAIN_S: Final = 0.02
RESTING: Final = ("relay_paused", "relay_resumed", "work_moved")  # a relay may rest, or no longer
ATTEND_S: Final = 5.0  # far less than a soak, than any delay, and than any person waits
PRUNE_EVERY_S: Final = 86_400.0
WRITES_WITHIN_S: Final = 300.0  # a commit may wait behind the pruning of a year, on a slow disk
LAST_WORDS_S: Final = 1.0  # how long a stop waits for the journal, and then for the outputs


@dataclass(frozen=True, slots=True, kw_only=True)
class Ports:
    """Where the service touches the world; the trial gives its own.

    connect: as loop.create_connection. outputs: opens the outputs that a site names, with what they
    may know and ask of the service; called again when the site file is read again.
    """

    clock: Clock
    connect: Connect
    committer: Committer
    reader: Reader
    random: Random
    outputs: Callable[[Site, Inside], Sequence[Output]]
    version: str
    prune: Callable[[], Awaitable[Recorded | None]] | None = None  # drops what is past retention
    sample: Callable[[Sequence[tuple[str, StatusReading]]], Awaitable[None]] | None = None
    machine: Callable[[], Machine] = Machine  # the computer it runs on


@dataclass(slots=True)
class Service:
    """Service(site, ports).run() polls, judges, records and publishes until stop() is called.

    Public. All of it runs in one event loop; nothing here may be called from another thread.
    """

    site: Site
    ports: Ports
    state: State = field(init=False)  # everything decided, durable or not
    started: asyncio.Event = field(default_factory=asyncio.Event)
    reload_faults: Sequence[Problem] = ()  # of files read again in vain; those before stay
    _stop: asyncio.Event = field(default_factory=asyncio.Event)
    _waiting: Waiting = field(init=False)
    _fleet: Fleet = field(init=False)
    _durable: Durable = field(init=False)
    _pump: Pump = field(init=False)
    _publishing: asyncio.Task[None] = field(init=False)
    _group: asyncio.TaskGroup = field(init=False)
    # relays of which findings were dropped while the journal could not take them
    _dropped: set[str] = field(default_factory=set)
    _snapshot_seq: int = 0
    _steps: Steps = field(init=False)
    _own: OwnFacts = field(default_factory=OwnFacts)
    _own_told: tuple[Own, ...] = ()

    def __post_init__(self) -> None:
        self._waiting = Waiting(
            committer=self.ports.committer, told=self._became_durable, refused=self._refused
        )
        self._fleet = Fleet(
            connect=self.ports.connect,
            clock=self.ports.clock,
            random=self.ports.random,
            told=self._found,
        )

    async def run(self) -> None:
        """Runs until stop(); then says its last words to the journal and the outputs.

        Raises Faulty where the journal is another site's.
        """
        self.state = self.ports.reader.load_state()
        _is_still(self.state.site, self.site)
        self._steps = Steps(self.ports.clock)
        self._snapshot_seq = self.state.seq
        self._durable = Durable(self.state)
        outputs = self.ports.outputs(self.site, self._inside())
        async with asyncio.TaskGroup() as self._group:
            committing = self._group.create_task(self._waiting.run(), name="commit")
            self._decide(Started(version=self.ports.version, boot=self.ports.machine().boot))
            await self._fleet.arrange(self.site, self.state, self._group)
            self._publish(outputs)
            watching = self._group.create_task(self._watch_clock(), name="clock")
            pruning = self._group.create_task(self._prune(), name="prune")
            sampling = self._group.create_task(self._sample(), name="sample")
            attending = self._group.create_task(self._attend(), name="attend")
            self.started.set()
            await self._stop.wait()
            await self._fleet.stop()
            await self._last_words()
            for task in (watching, pruning, sampling, attending, self._publishing, committing):
                task.cancel()

    def stop(self) -> None:
        """Ends run(), cleanly and within two seconds."""
        self._stop.set()

    async def reload(self, site: Site) -> None:
        """Follows another site file; relays that it does not touch are polled on undisturbed.

        Raises Faulty where its outputs can't be opened, or it is of another name; then everything
        stays as it was.
        """
        if site.sha256 == self.site.sha256:
            return
        _is_still(self.site.file.site, site)
        outputs = self.ports.outputs(site, self._inside())
        self.site = site
        self._decide(SiteRead())
        await self._fleet.arrange(site, self.state, self._group)
        self._publishing.cancel()
        await asyncio.wait([self._publishing])
        self._publish(outputs)

    async def command(self, given: Command, *, number: str, by: str) -> dict[str, Any]:
        """Carries out what a person asks for; answers once it is durable.

        number: the command's own id; given again, it gets its first answer. Raises Refusal.
        """
        before = self.ports.reader.answer(number)
        if before is not None:
            first: dict[str, Any] = json.loads(before)
            return first
        self._must_take()
        readings = self.live()
        self._look_at_clock()
        made = decide(
            self.state, self.site, given, self._utc(), by=by, cause=number, readings=readings
        )
        answer = answer_to(made.events)
        durable = self._keep(made, (number, json.dumps(answer)))
        moved = [event.subject for event in made.events if event.body.kind in RESTING]
        for relay in dict.fromkeys(moved):
            await self._fleet.set_paused(relay, self.state.rests(relay))
        try:
            await durable
        except CommandRepeated:  # the same id twice at once: the first one's answer stands
            return await self.command(given, number=number, by=by)
        return answer

    async def passed(self, given: Passed, *, by: str | None) -> None:
        """Keeps who came or was refused; durable when it returns. Raises Refusal, CommitFailed."""
        self._must_take()
        self._look_at_clock()
        await self._keep(decide(self.state, self.site, given, self._utc(), by=by))

    @property
    def not_written(self) -> str | None:
        """Why the journal could not be written last; None: it could."""
        return self._waiting.failing

    def _must_take(self) -> None:
        """Not queued: who asks would wait in vain, and it be carried out when nobody expects it."""
        if self._waiting.full or self._waiting.failing is not None:
            raise Refusal(f"the journal can't be written now: {self._waiting.failing}")

    def _inside(self) -> Inside:
        def acknowledge(request: AckAlarm, number: str, by: str) -> Awaitable[object]:
            return self.command(request, number=number, by=by)

        return Inside(
            live=self.live,
            acknowledge=acknowledge,
            state=lambda: self._durable.state,
            clock_kept=lambda: self.ports.machine().clock_kept,
            stuck=lambda: self._waiting.failing is not None,
        )

    def live(self) -> dict[str, StatusReading]:
        """The last status reading of each relay that has one; not durable."""
        return self._fleet.readings()

    @property
    def fleet(self) -> Fleet:
        return self._fleet

    @property
    def durable(self) -> State:
        """What the outputs may know."""
        return self._durable.state

    @property
    def waiting(self) -> int:
        """Events decided on and not yet durable."""
        return self._waiting.events

    def parts(self) -> Iterator[Part]:
        """What has to go on, for the watch over progress."""
        yield from self._fleet.parts()
        yield Part(
            name="journal",
            owes=self._waiting.events > 0,
            turns=self._waiting.turns,
            patience_s=WRITES_WITHIN_S,
        )

    def status(self) -> dict[str, Any]:
        """For `bayroll status`: what runs, what waits, what is behind."""
        seq = self._durable.state.seq
        return {
            "site": self.site.file.site,
            "version": self.ports.version,
            "relays": len(self.site.file.relays),
            "reload_faults": len(self.reload_faults),
            "reload_first": str(self.reload_faults[0]) if self.reload_faults else None,
            "journal": {
                "seq": seq,
                "waiting": self._waiting.events,
                "failing": self._waiting.failing,
                "judging": "paused" if self._dropped else "running",
            },
            "outputs": [plain(line) for line in self._pump.status()],
        }

    # Deciding and keeping.

    def _utc(self) -> datetime:
        return self.ports.clock.utc()

    def _found(self, unit: Unit, findings: tuple[Finding, ...]) -> None:
        if findings and self._waiting.full:
            self._dropped.add(unit.relay)
            return
        for finding in findings:
            self._decide(About(relay=unit.relay, finding=finding))

    def _decide(self, given: Input) -> None:
        self._look_at_clock()
        made = decide(self.state, self.site, given, self._utc())
        if made.events:
            self._keep(made)

    def _keep(self, made: Decision, command: tuple[str, str] | None = None) -> asyncio.Future[None]:
        self.state = made.after
        return self._waiting.put(made.events, command)

    def _became_durable(self, recorded: tuple[Recorded, ...]) -> None:
        if recorded and recorded[-1].seq == self.state.seq:
            state = self.state  # nothing waits any more: the same, and kept once
        else:
            state = fold(self._durable.state, ((one.seq, one.event) for one in recorded))
        self._durable.set(state, recorded)
        if self._dropped and not self._waiting.full:
            dropped, self._dropped = self._dropped, set()
            self._fleet.forget_unconfirmed(self.state, dropped)
        if state.seq - self._snapshot_seq >= limits.SNAPSHOT_EVERY:
            self._snapshot_seq = state.seq
            self._group.create_task(self.ports.committer.save_snapshot(state), name="snapshot")

    def _publish(self, outputs: Sequence[Output]) -> None:
        self._pump = Pump(
            outputs=outputs,
            durable=self._durable,
            reader=self.ports.reader,
            committer=self.ports.committer,
            on_gap=self._gap,
            random=self.ports.random,
        )
        self._publishing = self._group.create_task(self._pump.run(), name="publish")

    async def _gap(self, output: str, first_seq: int, last_seq: int) -> None:
        gap = Gap(output=output, first_seq=first_seq, last_seq=last_seq)
        await self._keep(decide(self.state, self.site, gap, self._utc()))

    def _refused(self, left: Sequence[Event]) -> None:
        """A batch will never be durable: what is known is what is, and what still waits."""
        durable = self._durable.state
        self.state = fold(durable, enumerate(left, start=durable.seq + 1))
        self._fleet.forget_unconfirmed(self.state)
        self._dropped.clear()
        self._own_told = ()

    async def _watch_clock(self) -> None:
        while True:
            await asyncio.sleep(LOOK_EVERY_S)
            self._look_at_clock()

    def _look_at_clock(self) -> None:
        """Before anything is decided: what a delay has left would be told by another clock."""
        by_ms = self._steps.by_ms()
        if by_ms is not None:
            log.warning("clock_stepped", by_ms=by_ms)
            self._keep(decide(self.state, self.site, Stepped(by_ms=by_ms), self._utc()))

    async def _prune(self) -> None:
        while self.ports.prune is not None:
            try:
                pruned = await self.ports.prune()
            except (CommitFailed, JournalUnusable) as reason:
                log.warning("journal_not_pruned", reason=str(reason))
            else:
                if pruned is not None:
                    self.state = fold(self.state, [(self.state.seq + 1, pruned.event)])
                    self._became_durable((pruned,))
            await asyncio.sleep(PRUNE_EVERY_S)

    async def _attend(self) -> None:
        """Sees to it that what time brings comes: in work that is open, and for alarms."""
        while True:
            await asyncio.sleep(ATTEND_S)
            if self._waiting.full:
                continue
            self._look_at_clock()
            now, state = self._utc(), self.state
            own = self._own.at(now, self._own_facts())
            news = own != self._own_told or due(state, self.site, now)
            if news or state.has_open_work:
                self._own_told = own
                self._decide(Attend(readings=self.live(), own=own if news else ()))

    def _own_facts(self) -> Iterator[Fact]:
        for line in self._pump.status():
            if line.connected is not None:
                says = f"output {line.output}: {line.says}"
                yield Cause.OUTPUT_AWAY, line.output, not line.connected, says
        failing = self._waiting.failing
        says = f"the journal can't be written: {failing}"
        yield Cause.JOURNAL_FAILING, "", failing is not None, says
        yield from of_the_machine(self.ports.machine())

    async def _sample(self) -> None:
        """Keeps a reading of each relay now and then: how its values went, outside the chain."""
        while self.ports.sample is not None:
            await asyncio.sleep(self.site.file.status_publish_s)
            fresh = [one for one in self.live().items() if one[1].quality == Quality.GOOD]
            await self.ports.sample(fresh)

    async def _last_words(self) -> None:
        """What a stop still has to say, each within its time: it is more important to end."""
        self._decide(Stopping(reason="stopped"))
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(LAST_WORDS_S):
                await self._waiting.drained()
        if self._waiting.events:
            log.error("events_lost", events=self._waiting.events, reason=self._waiting.failing)
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(LAST_WORDS_S):
                # a goodbye of a second at most; no event is worth having for it
                while any(  # noqa: ASYNC110
                    line.connected and line.lag for line in self._pump.status()
                ):
                    await asyncio.sleep(LOOK_AGAIN_S)


def _is_still(known: str | None, site: Site) -> None:
    """One journal is of one site. known: the name it has there; None: none yet. Raises Faulty."""
    if known in (None, site.file.site):
        return
    problem = Problem(
        code="site-renamed",
        file=next(iter(site.texts), "site"),
        at="site",
        what=f"the journal holds the history of {known}, and not of {site.file.site}",
        mend=f"write site: {known}; another site has a journal of its own: journal.file",
    )
    raise Faulty([problem])
