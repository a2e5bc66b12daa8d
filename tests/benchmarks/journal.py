"""A journal of many events against one of few: writing, starting, looking, proving, forgetting."""

from __future__ import annotations

import asyncio
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path
from statistics import median
from typing import Final

from poller.journal import snapshot
from poller.journal.chain import Verified
from poller.journal.notes import Notes
from poller.journal.retention import prune
from poller.journal.store import Batch, Reader, Writer
from poller.model import limits
from poller.model.events import Event, FlagFell, FlagRose, RelaySeen
from poller.state import fold
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


def measure(events: int, few_events: int = FEW) -> Report:
    report = Report(
        title=f"a journal of {events:,} events, and one of {few_events:,}",
        columns=("what", f"{few_events:,}", f"{events:,}"),
        wanted={_key(name): Wanted(bound=bound) for name, bound in WANTED.items()},
    )
    few, many = _measured(few_events), _measured(events)
    for name, seconds in many.items():
        report.rows.append((name, _told(few[name]), _told(seconds)))
        if name in WANTED:
            report.ratios[_key(name)] = seconds / few[name]
    return report


def _measured(events: int) -> dict[str, float]:
    """Seconds of each; "an event": of the whole, by the number of events."""
    print(f"... {events:,} events", file=sys.stderr)
    with tempfile.TemporaryDirectory(prefix="bayroll-bench-") as name:
        house = House(Path(name))
        found: dict[str, float] = {}
        began = time.perf_counter()
        _fill(house, events)
        found["filling, an event"] = (time.perf_counter() - began) / events
        batch = list(_flags(house, house.state.seq, 100))
        found["append"] = _median(lambda: house.writer.write([Batch(events=tuple(batch))]))
        relay = next(iter(house.state.relays))
        with Reader.open(house.writer.path) as reader:
            found["history of a relay"] = _median(
                lambda: reader.history(subject=relay, limit=50, newest_first=True)
            )
            found["verify, an event"] = _once(lambda: _verified(reader)) / events
        for view, path in (
            ("page of changes", "/changes"),
            ("page of flags", "/changes?class=flags"),
        ):
            found[view] = asyncio.run(_looked(house, path))
        house.close()
        found["start, an event"] = _once(lambda: _start(house.writer.path)) / events
        with Writer.open(house.writer.path) as writer:
            now = house.now + timedelta(days=4_000)
            found["pruning"] = _once(
                lambda: prune(writer, keep_days=365, now=now, required=())  # type: ignore[arg-type, return-value]
            )
        return found


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


async def _looked(house: House, path: str) -> float:
    house.add("benchmark", "viewer") if "benchmark" not in house.state.users else None
    async with house.browser("benchmark") as client:
        times = []
        for _ in range(TIMES):
            began = time.perf_counter()
            answer = await client.get(path)
            times.append(time.perf_counter() - began)
            assert answer.status_code == 200, answer.text
        return median(times)


def _verified(reader: Reader) -> None:
    found = reader.verify()
    assert isinstance(found, Verified), found


def _start(path: Path) -> None:
    with Writer.open(path) as writer:
        state = snapshot.load_state(writer.reader)
        assert state.seq == writer.head.seq


def _once(work: Callable[[], object]) -> float:
    began = time.perf_counter()
    work()
    return time.perf_counter() - began


def _median(work: Callable[[], object]) -> float:
    return median(_once(work) for _ in range(TIMES))


def _key(name: str) -> str:
    return name.replace(", an event", "").replace(" ", "_") + "_many_over_few"


def _told(seconds: float) -> str:
    return f"{1_000 * seconds:.1f} ms" if seconds >= 0.001 else f"{1_000_000 * seconds:.1f} us"
