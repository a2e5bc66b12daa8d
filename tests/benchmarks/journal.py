"""A journal of many events against one of few: writing, starting, looking, proving, forgetting."""

from __future__ import annotations

import asyncio
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractAsyncContextManager, ExitStack, contextmanager
from datetime import timedelta
from pathlib import Path
from statistics import median
from typing import Final, TypeAlias

import httpx

from poller.edges.commands import COMMANDS
from poller.journal import snapshot
from poller.journal.chain import Verified
from poller.journal.notes import Notes
from poller.journal.retention import prune
from poller.journal.store import Batch, Reader, Writer
from poller.model import limits
from poller.model.events import Event, FlagFell, FlagRose, RelaySeen
from poller.state import fold
from poller.web.app import guarded, routes
from tests.benchmarks.report import Report, Wanted
from tests.web.house import House

FEW: Final = 10_000
TELL_EVERY: Final = 500_000
TIMES: Final = 25  # each small thing, of which the median counts
WANTED: Final = {
    "append": 1.5,
    "history of a relay": 3,
    "page of changes": 3,
    "page of flags": 3,
    "verify, an event": 1.3,
    "start, an event": 1.3,
}


Seconds: TypeAlias = tuple[float, float]
"""With few events, and with many."""


def measure(events: int, few_events: int = FEW) -> Report:
    report = Report(
        title=f"a journal of {events:,} events, and one of {few_events:,}",
        columns=("what", f"{few_events:,}", f"{events:,}"),
        wanted={_key(name): Wanted(bound=bound) for name, bound in WANTED.items()},
    )
    for name, (few, many) in _measured(few_events, events):
        report.rows.append((name, _told(few), _told(many)))
        if name in WANTED:
            report.ratios[_key(name)] = many / few
    return report


def _measured(few_events: int, events: int) -> Iterator[tuple[str, Seconds]]:
    """Of each: "an event": of the whole, by the number of events.

    One beside the other, turn by turn: a machine that is busy for a while is so for both.
    """
    with ExitStack() as stack:
        few, few_s = stack.enter_context(_filled(few_events))
        many, many_s = stack.enter_context(_filled(events))
        counts = few_events, events
        yield "filling, an event", _each((few_s, many_s), counts)
        batch = Batch(events=tuple(_flags(many, many.state.seq, 100)))
        yield "append", _in_turn(lambda house: house.writer.write([batch]), few, many)
        readers = {
            house.folder: stack.enter_context(Reader.open(house.writer.path))
            for house in (few, many)
        }
        relay = next(iter(many.state.relays))
        yield (
            "history of a relay",
            _in_turn(
                lambda house: readers[house.folder].history(
                    subject=relay, limit=50, newest_first=True
                ),
                few,
                many,
            ),
        )
        verified = _around(lambda house: _verified(readers[house.folder]), few, many)
        yield "verify, an event", _each(verified, counts)
        yield "page of changes", asyncio.run(_looked(few, many, "/changes"))
        yield "page of flags", asyncio.run(_looked(few, many, "/changes?class=flags"))
        few.close()
        many.close()
        yield "start, an event", _each(_around(_start, few, many), counts)
        yield "pruning", (_once(lambda: _prune(few)), _once(lambda: _prune(many)))


@contextmanager
def _filled(events: int) -> Iterator[tuple[House, float]]:
    """A journal in a house of its own, and the seconds that filling it took."""
    print(f"... {events:,} events", file=sys.stderr)
    with tempfile.TemporaryDirectory(prefix="bayroll-bench-") as name:
        house = House(Path(name))
        yield house, _once(lambda: _fill(house, events))


def _in_turn(work: Callable[[House], object], few: House, many: House) -> Seconds:
    """The median of what one took, and of what the other did."""
    taken = [(_once(lambda: work(few)), _once(lambda: work(many))) for _ in range(TIMES)]
    return median(few_s for few_s, _ in taken), median(many_s for _, many_s in taken)


def _around(work: Callable[[House], object], few: House, many: House) -> Seconds:
    """As _in_turn, for what takes a minute with many events: few as often before it as after."""
    before = [_once(lambda: work(few)) for _ in range(TIMES)]
    many_s = _once(lambda: work(many))
    after = [_once(lambda: work(few)) for _ in range(TIMES)]
    return median(before + after), many_s


def _each(seconds: Seconds, counts: tuple[int, int]) -> Seconds:
    return seconds[0] / counts[0], seconds[1] / counts[1]


def _fill(house: House, events: int) -> None:
    while house.state.seq < events:
        count = min(limits.COMMIT_BATCH_MAX, events - house.state.seq)
        batch = Batch(events=tuple(_flags(house, house.state.seq, count)))
        [recorded] = house.writer.write([batch])
        assert isinstance(recorded, tuple)
        house.state = fold(house.state, ((one.seq, one.event) for one in recorded))
        if house.state.seq % limits.SNAPSHOT_EVERY < count:
            house.writer.write([], Notes(snapshot=house.state))
        if house.state.seq % TELL_EVERY < count:
            print(f"... {house.state.seq:,}", file=sys.stderr)


def _flags(house: House, after: int, count: int) -> Iterator[Event]:
    """As they come over years: mostly what each day says, now and then a flag."""
    relays = list(house.state.relays)
    for seq in range(after, after + count):
        relay, turn = relays[seq % len(relays)], seq // len(relays)
        at = house.now + timedelta(seconds=seq)
        if turn % 4 == 0:
            body: FlagRose | FlagFell | RelaySeen = FlagRose(
                flag="storage_low", says="nearly full", last_old_at=at, first_new_at=at
            )
        elif turn % 4 == 1:
            body = FlagFell(flag="storage_low", last_old_at=at, first_new_at=at)
        else:
            body = RelaySeen(day=at.date().isoformat(), reads_before=24)
        yield Event(at=at, subject=relay, body=body)


async def _looked(few: House, many: House, path: str) -> Seconds:
    async with _visitor(few) as at_few, _visitor(many) as at_many:
        taken = [(await _page(at_few, path), await _page(at_many, path)) for _ in range(TIMES)]
    return median(few_s for few_s, _ in taken), median(many_s for _, many_s in taken)


def _visitor(house: House) -> AbstractAsyncContextManager[httpx.AsyncClient]:
    if house.app is None:
        house.app = guarded(routes(COMMANDS, "0.1.0"), house.page)  # of its own, beside the other
        house.add("benchmark", "viewer")
    return house.browser("benchmark")


async def _page(client: httpx.AsyncClient, path: str) -> float:
    began = time.perf_counter()
    answer = await client.get(path)
    taken_s = time.perf_counter() - began
    assert answer.status_code == 200, answer.text
    return taken_s


def _verified(reader: Reader) -> None:
    found = reader.verify()
    assert isinstance(found, Verified), found


def _start(house: House) -> None:
    with Writer.open(house.writer.path) as writer:
        state = snapshot.load_state(writer.reader)
        assert state.seq == writer.head.seq


def _prune(house: House) -> None:
    with Writer.open(house.writer.path) as writer:
        now = house.now + timedelta(days=4_000)
        prune(writer, keep_days=365, now=now, required=())


def _once(work: Callable[[], object]) -> float:
    began = time.perf_counter()
    work()
    return time.perf_counter() - began


def _key(name: str) -> str:
    return name.replace(", an event", "").replace(" ", "_") + "_many_over_few"


def _told(seconds: float) -> str:
    return f"{1_000 * seconds:.1f} ms" if seconds >= 0.001 else f"{1_000_000 * seconds:.1f} us"
