"""Pages of the journal: what is sought and nothing else, in order, without reading all of it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from poller.journal import Journal, Sought
from poller.journal.pages import STEP
from poller.journal.store import Batch, Writer
from poller.model import events as ev
from poller.model import limits
from poller.model.events import Event, Recorded
from tests.journal.made import RELAYS, T0, listed, seen

KINDS = ("relay_listed", "relay_seen", "relay_paused")
DAYS = 60


def made() -> list[Event]:
    """A day each, in turn of three relays; now and then one is paused."""
    told: list[Event] = [listed(relay) for relay in RELAYS]
    for day in range(1, DAYS):
        relay = RELAYS[day % 3]
        told.append(seen(relay, day))
        if day % 7 == 0:
            body = ev.RelayPaused(why=f"day {day}")
            told.append(Event(at=T0 + timedelta(days=day), subject=relay, body=body, by="ute"))
    return told


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Journal]:
    path = tmp_path_factory.mktemp("pages") / "a.journal"
    with Writer.open(path) as writer:
        writer.write([Batch(events=tuple(made()))])
    with Journal.open(path) as opened:
        yield opened


def every(journal: Journal) -> list[Recorded]:
    return journal.read(0, 1_000)[::-1]


subjects = st.none() | st.lists(st.sampled_from([*RELAYS, "none"]), unique=True, max_size=3)
kinds = st.none() | st.lists(st.sampled_from([*KINDS, "none"]), unique=True, max_size=3)
times = st.none() | st.integers(-2, DAYS + 2).map(lambda day: T0 + timedelta(days=day))


@settings(max_examples=150, deadline=None)
@given(subjects, kinds, times, times, st.integers(0, 90), st.none() | st.integers(1, 90), st.data())
def test_pages_hold_what_a_look_at_every_event_finds(
    journal: Journal,
    subjects: list[str] | None,
    kinds: list[str] | None,
    since: object,
    until: object,
    after: int,
    before: int | None,
    data: st.DataObject,
) -> None:
    sought = Sought(
        subjects=subjects,
        kinds=None if kinds is None else tuple(kinds),
        since=since,  # type: ignore[arg-type]
        until=until,  # type: ignore[arg-type]
        fits=lambda event: event.at.day % 5 != 0,
    )
    expected = [
        one
        for one in every(journal)
        if (subjects is None or one.event.subject in subjects)
        and (kinds is None or one.event.body.kind in kinds)
        and (since is None or one.event.at >= since)  # type: ignore[operator]
        and (until is None or one.event.at < until)  # type: ignore[operator]
        and after < one.seq < (before or 10_000)
        and one.event.at.day % 5 != 0
    ]
    found: list[Recorded] = []
    while True:
        limit = data.draw(st.integers(1, 9))
        page = journal.page(sought, after=after, before=before, limit=limit)
        assert len(page.events) <= limit
        found += page.events
        if page.older is None:
            break
        before = page.older
    assert found == expected


@settings(max_examples=50, deadline=None)
@given(st.lists(st.sampled_from(KINDS), unique=True, min_size=2), st.booleans(), st.integers(1, 90))
def test_history_of_several_kinds_is_that_of_a_look_at_every_event(
    journal: Journal, kinds: list[str], newest_first: bool, limit: int
) -> None:
    expected = [one for one in every(journal) if one.event.body.kind in kinds]
    found = journal.history(kinds=kinds, newest_first=newest_first, limit=limit)
    assert found == (expected if newest_first else expected[::-1])[:limit]


# However long the journal: SQLite tells by how many steps of its machine it went.


def test_what_is_not_there_is_looked_for_in_a_bounded_part(
    journal: Journal, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(limits, "PAGE_LOOKED_MAX", 1)
    monkeypatch.setattr("poller.journal.pages.STEP", 10)
    page = journal.page(Sought(fits=lambda event: False))
    assert (page.events, page.older) == ((), len(made()) - 9)


LONG = 200_000
STEPS_MAX = 200 * STEP  # some for each row that is looked at


@pytest.fixture(scope="module")
def long(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Journal]:
    """The rows of one event of each kind, again and again; the chain is not looked at."""
    path = tmp_path_factory.mktemp("long") / "a.journal"
    with Writer.open(path) as writer:
        writer.write([Batch(events=tuple(made()))])
        writer.connection.execute(
            "WITH RECURSIVE n(i) AS (SELECT 1000 UNION ALL SELECT i + 1 FROM n WHERE i < ?) "
            "INSERT INTO event SELECT i, at, kind, subject, stored, hash FROM n "
            "JOIN event ON seq = 1 + i % ?",
            (1_000 + LONG, len(made())),
        )
    with Journal.open(path) as opened:
        yield opened


SOUGHT = {
    "all": Sought(),
    "kinds": Sought(kinds=KINDS),
    "subjects": Sought(subjects=RELAYS),
    "both": Sought(subjects=RELAYS, kinds=("relay_paused",)),
    "since": Sought(since=T0 + timedelta(days=DAYS - 2)),
    "until": Sought(until=T0 + timedelta(days=1)),
    "never": Sought(since=T0 + timedelta(days=DAYS + 9)),
}


def steps_of(journal: Journal, work: Callable[[], object]) -> int:
    """How far SQLite's machine went, in hundreds of its steps."""
    connection, steps = journal.reader._connection, 0

    def count() -> bool:
        nonlocal steps
        steps += 100
        return False

    connection.set_progress_handler(count, 100)
    try:
        work()
    finally:
        connection.set_progress_handler(None)
    return steps


@pytest.mark.parametrize("what", SOUGHT)
def test_a_page_of_a_long_journal_takes_few_steps(long: Journal, what: str) -> None:
    assert steps_of(long, lambda: long.page(SOUGHT[what], limit=50)) < STEPS_MAX


def test_so_does_its_history_by_kinds(long: Journal) -> None:
    assert steps_of(long, lambda: long.history(kinds=KINDS, newest_first=True)) < STEPS_MAX


def test_a_look_at_all_of_it_takes_many(long: Journal) -> None:
    """So that those above can fail."""
    sql = "SELECT count(*) FROM event WHERE kind != 'none'"
    assert steps_of(long, lambda: long.reader.ask(sql)) > 5 * STEPS_MAX
