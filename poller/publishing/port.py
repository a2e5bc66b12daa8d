"""The pump: from the journal to each output, by a cursor of its own.

A cursor passes only what the peer acknowledged, without a hole. What goes wrong in one output is
logged, waited out and tried again there; no other output and no commit ever waits for it.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass
from random import Random

import structlog

from poller.journal.ports import Committer, Reader
from poller.model import limits
from poller.model.backoff import Backoff
from poller.model.events import Recorded
from poller.model.standing import State
from poller.publishing.ports import Output

log = structlog.get_logger(__name__)

OnGap = Callable[[str, int, int], Awaitable[None]]
"""(output, first seq, last seq): these are never delivered to it; returns once that is recorded."""


class Durable:
    """The state after the last commit, the newest events, and a way to wait for the next one."""

    def __init__(self, state: State) -> None:
        self._state = state
        self._newest: deque[Recorded] = deque(maxlen=limits.OUTPUT_BATCH_MAX)
        self._moved = asyncio.Event()

    @property
    def state(self) -> State:
        return self._state

    def set(self, state: State, recorded: Sequence[Recorded]) -> None:
        """Called by the service after each commit, with everything durable folded in, and what was
        committed: the events from the last state to this one."""
        self._state = state
        for one in recorded:
            self._keep(one)
        moved, self._moved = self._moved, asyncio.Event()
        moved.set()

    def _keep(self, one: Recorded) -> None:
        """Without a hole, since what is left out here is left out for every output."""
        follows = not self._newest or one.seq == self._newest[-1].seq + 1
        fits = len(one.stored) <= limits.NEWEST_EVENT_OCTETS
        if not (follows and fits):
            self._newest.clear()  # those before are read from the journal
        if fits:
            self._newest.append(one)

    async def wait(self, after_seq: int) -> State:
        """The durable state once it stands past after_seq."""
        while self._state.seq <= after_seq:
            await self._moved.wait()
        return self._state

    def newest(self, after_seq: int) -> list[Recorded] | None:
        """The events past after_seq; None: not all of them are kept here."""
        if not self._newest or self._newest[0].seq > after_seq + 1:
            return None
        return [one for one in self._newest if one.seq > after_seq]


@dataclass(frozen=True, slots=True, kw_only=True)
class PumpStatus:
    """For `bayroll status`. lag: durable events not yet acknowledged."""

    output: str
    cursor: int
    lag: int
    connected: bool | None
    says: str


class WrongAnswer(Exception):
    """An output acknowledged what it was not given."""


class Pump:
    """Feeds outputs until cancelled. lag_max: events; more than that behind, an output skips."""

    def __init__(
        self,
        *,
        outputs: Sequence[Output],
        durable: Durable,
        reader: Reader,
        committer: Committer,
        on_gap: OnGap,
        random: Random | None = None,
        lag_max: int = limits.OUTPUT_LAG_MAX,
    ) -> None:
        random = random or Random()  # noqa: S311 - jitter, no secret
        self._durable = durable
        self._lines = [
            _Line(output, durable, reader, committer, on_gap, random, lag_max) for output in outputs
        ]

    async def run(self) -> None:
        async with asyncio.TaskGroup() as group:
            for line in self._lines:
                group.create_task(line.connection(), name=f"{line.output.name} connection")
                group.create_task(line.feed(), name=f"{line.output.name} feed")

    def status(self) -> tuple[PumpStatus, ...]:
        return tuple(line.status() for line in self._lines)


class _Line:
    """One output and its cursor."""

    def __init__(
        self,
        output: Output,
        durable: Durable,
        reader: Reader,
        committer: Committer,
        on_gap: OnGap,
        random: Random,
        lag_max: int,
    ) -> None:
        self.output = output
        self._durable = durable
        self._reader = reader
        self._committer = committer
        self._on_gap = on_gap
        self._random = random
        self._lag_max = lag_max
        self._cursor = reader.cursor(output.name)
        self._noted = self._cursor
        self._shown = False  # has the output been given a state since the start
        self._trouble: str | None = None

    def status(self) -> PumpStatus:
        own = self.output.status()
        return PumpStatus(
            output=self.output.name,
            cursor=self._cursor,
            lag=max(0, self._durable.state.seq - self._cursor),
            connected=own.connected,
            says=self._trouble or own.says,
        )

    async def connection(self) -> None:
        await self._again_and_again(self.output.run)

    async def feed(self) -> None:
        await self._again_and_again(self._step)

    async def _again_and_again(self, work: Callable[[], Awaitable[object]]) -> None:
        backoff = Backoff(
            self._random, first_s=limits.OUTPUT_RETRY_FIRST_S, cap_s=limits.OUTPUT_RETRY_CAP_S
        )
        while True:
            try:
                moved = await work()
            except Exception as reason:  # an output may be anybody's: nothing of it gets past here
                self._trouble = f"{type(reason).__name__}: {reason}"
                log.exception("output failed", output=self.output.name)
            else:
                if moved:
                    self._trouble = None
                    backoff.reset()
                    continue
            await asyncio.sleep(backoff.next_s())

    async def _step(self) -> bool:
        """One batch, or one skip. Returns whether anything came of it."""
        if self._noted < self._cursor:
            await self._note()
        if self._shown:
            await self._durable.wait(self._cursor)
        state = self._durable.state
        if state.seq - self._cursor > self._lag_max:
            # half the limit is left standing, so that one slow hour is one gap and not thousands
            return await self._skip_to(state.seq - self._lag_max // 2)
        events = self._durable.newest(self._cursor)
        if events is None:
            events = self._reader.read(self._cursor, limits.OUTPUT_BATCH_MAX)
        if events and events[0].seq > self._cursor + 1:  # the journal no longer holds them
            return await self._skip_to(events[0].seq - 1)
        # one reader, two moments: state may be older than what was read, never the other way
        events = [recorded for recorded in events if recorded.seq <= state.seq]
        deliver = asyncio.ensure_future(self.output.deliver(events, state))
        overdue = asyncio.ensure_future(self._durable.wait(self._cursor + self._lag_max))
        try:
            await asyncio.wait((deliver, overdue), return_when=asyncio.FIRST_COMPLETED)
            if not deliver.done():
                return True  # so far behind by now that the next step skips
            acked = deliver.result()
        finally:
            await _cancelled(overdue)
            await _cancelled(deliver)
        self._shown = True
        if not events:
            return state.seq == self._cursor  # else the reader does not show what is durable
        if not self._cursor <= acked <= events[-1].seq:
            raise WrongAnswer(f"acknowledged {acked} of {events[0].seq} to {events[-1].seq}")
        if acked == self._cursor:
            return False
        self._cursor = acked
        await self._note()
        return True

    async def _note(self) -> None:
        await self._committer.note_cursor(self.output.name, self._cursor)
        self._noted = self._cursor

    async def _skip_to(self, last: int) -> bool:
        """The gap is told before the cursor moves: told twice is better than not at all."""
        log.warning("output skips", output=self.output.name, first=self._cursor + 1, last=last)
        await self._on_gap(self.output.name, self._cursor + 1, last)
        self._cursor = last
        await self._note()
        return True


async def _cancelled(task: asyncio.Future[State] | asyncio.Future[int]) -> None:
    """Ends it and waits until it has ended; a cancellation of ourselves passes."""
    task.cancel()
    await asyncio.wait((task,))
    if not task.cancelled():
        task.exception()  # told already where it mattered
