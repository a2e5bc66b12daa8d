"""A report from a journal file: which events, how many are held, what was pruned or broken."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import apsw
import pytest

from poller.answers.evidence.bundle import bundle
from poller.answers.evidence.gather import Gathering
from poller.answers.evidence.report import Report, Span
from poller.journal.evidence import report_of
from poller.journal.notes import Notes
from poller.journal.reader import Reader
from poller.journal.retention import prune
from poller.journal.store import Batch, Writer
from poller.model import events as ev
from poller.model import limits
from poller.model.refusal import Refusal
from poller.model.standing import State
from tests.journal.made import RELAYS, T0, listed, seen, story

RELAY = RELAYS[0]
DAYS = 200
SITE = "format: 1\nsite: hollin\nasset_class: high\njournal: {keep_days: 365}\n"


def day(number: int) -> datetime:
    return (T0 + timedelta(days=number)).replace(hour=0, minute=0, second=0, microsecond=0)


def span(first: int, last: int) -> Span:
    return Span(first=day(first), last=day(last))


def loaded() -> ev.Event:
    body = ev.SiteLoaded(site="hollin", sha256="5e", files={"site.yaml": SITE})
    return ev.Event(at=T0, subject="", body=body)


def made(reader: Reader, over: Span, **more: Any) -> Report:
    verified = reader.verify(None)
    return report_of(reader, over, verified, compared="noted nowhere", site=None, **more)


@pytest.fixture
def writer(tmp_path: Path) -> Iterator[Writer]:
    """The site is loaded and one event a day follows: event 2 lists the relay on day 0."""
    with Writer.open(tmp_path / "a.journal") as opened:
        opened.write([Batch(events=(loaded(), *story(DAYS)))])
        yield opened


def test_the_events_of_the_span(writer: Writer) -> None:
    """Day n is event n + 2."""
    report = made(writer.reader, span(10, 20))
    assert (report.first_seq, report.last_seq, report.end_hash) == (
        12,
        21,
        writer.reader.hash_at(21),
    )
    assert (report.relays[0].coverage.days, report.asset_classes) == (10, ("high",))


def test_the_head_is_that_of_the_journal(writer: Writer) -> None:
    chain = made(writer.reader, span(10, 20)).chain
    head = writer.reader.head()
    assert (chain.seq, chain.hash, chain.whole, chain.events) == (head.seq, head.hash, True, 201)


def test_the_same_journal_and_span_give_the_same_bytes(writer: Writer) -> None:
    one, other = (bundle(made(writer.reader, span(10, 60))) for _ in range(2))
    assert one == other


def test_what_comes_after_the_span_changes_its_head_alone(writer: Writer) -> None:
    before = made(writer.reader, span(10, 60))
    writer.write([Batch(events=(seen(RELAY, DAYS),))])
    after = made(writer.reader, span(10, 60))
    assert (after.chain != before.chain, after.relays) == (True, before.relays)


def test_what_retention_removed_is_told(writer: Writer) -> None:
    writer.write([], Notes(snapshot=writer.reader.load_state(), cursors={"mqtt": DAYS}))
    prune(writer, keep_days=90, now=day(190), required=["mqtt"])
    report = made(writer.reader, span(10, 150))
    first = writer.reader.read(0, 1)[0]
    assert not report.covered
    assert f"its oldest event is of {first.event.at:%Y-%m-%d}" in report.reach[0]
    assert f"1 to {first.seq - 1}: also some of the span" in report.reach[1]


def test_what_stood_when_events_were_removed_is_used(writer: Writer) -> None:
    """The relay was listed by an event that is no longer there."""
    writer.write([], Notes(snapshot=writer.reader.load_state(), cursors={"mqtt": DAYS}))
    prune(writer, keep_days=90, now=day(190), required=["mqtt"])
    seen_after = made(writer.reader, span(120, 150)).relays[0].coverage
    assert (seen_after.days, seen_after.read_days, seen_after.gaps) == (30, 30, ())


def test_how_long_events_are_kept_is_told(writer: Writer) -> None:
    told = " ".join(made(writer.reader, span(10, 20)).reach)
    assert "kept for 365 days, which is less than three years" in told


def test_a_broken_journal_is_told_up_to_where_it_breaks(writer: Writer, tmp_path: Path) -> None:
    writer.close()
    with apsw.Connection(str(tmp_path / "a.journal")) as file:
        file.execute("UPDATE event SET hash = zeroblob(32) WHERE seq = 100")
    with Reader.open(tmp_path / "a.journal") as reader:
        report = made(reader, span(10, 150))
    assert not report.chain.whole
    assert report.chain.says.startswith("BROKEN at event 100: ")
    assert (report.last_seq, report.measures) == (99, None)


def test_of_a_long_journal_no_event_is_held() -> None:
    """30,000 events come in batches; what is left of them is days."""
    gathering = Gathering(span(0, 30_000), 1, State())
    gathering.take([recorded(1, listed(RELAY))])
    for start in range(1, 30_000, limits.COMMIT_BATCH_MAX):
        numbers = range(start, min(start + limits.COMMIT_BATCH_MAX, 30_000))
        gathering.take([recorded(number + 1, seen(RELAY, number)) for number in numbers])
    gc.collect()
    alive = sum(isinstance(one, ev.Event | ev.Recorded) for one in gc.get_objects())
    assert (gathering.held, gathering.state.seq) == (0, 30_000)
    assert alive < limits.COMMIT_BATCH_MAX  # a batch may still be on its way out


def test_a_span_with_more_rows_than_a_report_holds_is_refused(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(limits, "EVIDENCE_ROWS_MAX", 3)
    started = ev.Event(at=T0, subject="", body=ev.ServiceStarted(version="0"))
    gathering = Gathering(span(0, 1), 1, State())
    gathering.take([recorded(number, started) for number in (1, 2, 3)])
    with pytest.raises(Refusal, match="give a shorter one"):
        gathering.take([recorded(4, started)])


def recorded(seq: int, event: ev.Event) -> ev.Recorded:
    return ev.Recorded(seq=seq, id=f"j-{seq}", event=event, hash="0" * 64, stored=b"")


def test_a_span_before_the_journal_has_nothing(writer: Writer) -> None:
    old = Span(first=datetime(2020, 1, 1, tzinfo=UTC), last=datetime(2020, 2, 1, tzinfo=UTC))
    report = made(writer.reader, old)
    assert (report.relays, report.last_seq) == ((), report.first_seq - 1)
    assert "NOTHING of the span" in report.reach[0]
