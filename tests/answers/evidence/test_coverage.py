"""How often a relay was read. Clock and whom it binds: CIP-010-4, part 2.1, in checks/."""

from __future__ import annotations

import pytest

from poller.answers.evidence.coverage import DAYS_MOST
from poller.model import events as ev
from tests.answers.evidence.story import (
    DUTIES,
    at,
    days,
    entered,
    event,
    listed,
    loaded,
    read,
    span,
    the_relay,
)


def test_the_clock_is_that_of_the_standard() -> None:
    assert DUTIES["2.1"]["number"] == f"at least every {DAYS_MOST} calendar days"
    assert DUTIES["2.1"]["applies_to"].startswith("High only")


# By hand. listed on; read on; front panel on | days, read; longest, with front panel; gaps
QUARTER = span("01-01", "04-01")  # 31 + 28 + 31 days
CASES = """
01-01; 01-01 01-02 03-31;             | 90  3  88 88  01-03..03-30
01-01; 01-01 02-05 03-12 03-31;       | 90  4  35 35  01-02..02-04 02-06..03-11 03-13..03-30
01-01; 01-01 02-06 03-13 03-31;       | 90  4  36 36  01-02..02-05 02-07..03-12 03-14..03-30
01-01; 01-01 02-06 03-13 03-31; 01-20 | 90  4  36 35  01-02..02-05 02-07..03-12 03-14..03-30
01-01; ;                              | 90  0  90 90  01-01..03-31
01-01; ; 01-15 02-14 03-15            | 90  0  90 30  01-01..03-31
03-30; 03-30 03-31;                   | 2   2  1  1
03-30; 03-31;                         | 2   1  1  1   03-30..03-30
"""


@pytest.mark.parametrize("row", CASES.strip().splitlines())
def test_days_and_gaps(row: str) -> None:
    told, _, wanted = row.partition("|")
    begins, reads, manual = (part.split() for part in told.split(";"))
    events = [listed(begins[0])]
    events += [read(day) for day in reads]
    events += [entered(day, day) for day in manual]
    seen = the_relay(sorted(events, key=lambda one: one.at), QUARTER).coverage
    gaps = [f"{gap.first:%m-%d}..{gap.last:%m-%d}" for gap in seen.gaps]
    numbers = (seen.days, seen.read_days, seen.interval, seen.with_manual)
    assert [*map(str, numbers), *gaps] == wanted.split()


@pytest.mark.parametrize(
    ("asset_class", "days_between", "kept"),
    [
        ("high", 35, True),
        ("high", 36, False),
        ("medium", 36, None),  # voluntary
        ("low", 36, None),
        ("none", 36, None),
    ],
)
def test_whom_the_clock_binds(asset_class: str, days_between: int, kept: bool | None) -> None:
    events = [loaded("01-01", asset_class), listed("01-01")]
    events += [read(day) for day in days("01-01", 90, days_between)] + [read("03-31")]
    assert the_relay(events, QUARTER).coverage.kept is kept


def test_of_a_site_whose_rating_is_not_known_nothing_is_called_voluntary() -> None:
    told = the_relay([listed("01-01"), read("01-01")], QUARTER).coverage.duty
    assert told.startswith("whether it is owed is not known; ")


def test_a_reading_before_the_span_counts_for_the_interval() -> None:
    events = [listed("01-01"), read("01-20"), read("02-20")]
    seen = the_relay(events, span("02-01", "03-01")).coverage
    assert (seen.interval, seen.read_days) == (31, 1)


def test_a_day_that_is_not_over_is_no_gap() -> None:
    over = span("01-01", "01-03")
    half = type(over)(first=over.first, last=at("01-03", "09:00"))
    assert the_relay([listed("01-01"), read("01-01"), read("01-02")], half).coverage.gaps == ()


def test_readings_are_counted_between_the_notes() -> None:
    """Those before the first note are of the time before; those after the last are not told yet."""
    events = [listed("01-01"), read("01-01", 1), read("01-02", 24), read("01-03", 23)]
    assert the_relay(events, QUARTER).coverage.readings == 48


def test_what_is_not_listed_is_not_looked_for() -> None:
    events = [listed("01-01"), read("01-01"), event("01-01", ev.RelayDelisted(), clock="18:00")]
    seen = the_relay(events, QUARTER).coverage
    assert (seen.days, seen.gaps) == (1, ())


def test_listed_again_later() -> None:
    events = [listed("01-01"), read("01-01"), event("01-02", ev.RelayDelisted())]
    events += [listed("03-30"), read("03-30"), read("03-31")]
    seen = the_relay(events, QUARTER).coverage
    assert (seen.days, seen.read_days, seen.gaps) == (3, 3, ())  # the day it left was not over


# what happened before a gap; how the gap says why
WHY = {
    "silent": (
        ev.RelaySilent(last_answer_at=at("01-01", "20:00"), reason="no reply"),
        "silent since 2026-01-01 20:00:00 UTC",
    ),
    "paused": (ev.RelayPaused(why="tool"), "a person paused polling on 2026-01-01 12:00:00 UTC"),
    "stopped": (
        ev.ServiceStopped(reason="stopped"),
        "the poller was stopped on 2026-01-01 12:00:00 UTC",
    ),
}


@pytest.mark.parametrize("case", WHY)
def test_a_gap_says_why(case: str) -> None:
    body, says = WHY[case]
    events = [listed("01-01"), read("01-01"), event("01-01", body), read("01-05")]
    (gap, _) = the_relay(events, QUARTER).coverage.gaps
    assert gap.why == (says,)


def test_what_was_over_before_a_gap_is_not_its_reason() -> None:
    events = [listed("01-01"), event("01-01", ev.RelayPaused(why="tool"), clock="01:00")]
    events += [event("01-01", ev.RelayResumed(), clock="02:00"), read("01-02"), read("01-05")]
    (first, second, _) = the_relay(events, QUARTER).coverage.gaps
    assert (first.days, len(first.why), second.why) == (1, 2, ())  # paused, and never read


def test_how_long_the_poller_did_not_run() -> None:
    events = [listed("01-01"), read("01-01"), event("01-01", ev.ServiceStopped(reason="x"))]
    events += [event("01-04", ev.ServiceStarted(version="1")), read("01-05")]
    (gap, _) = the_relay(events, QUARTER).coverage.gaps
    assert gap.why == (
        "the poller did not run from 2026-01-01 12:00:00 UTC to 2026-01-04 12:00:00 UTC",
    )


def test_what_was_never_read_says_so() -> None:
    (gap,) = the_relay([listed("01-01"), entered("01-02", "01-02")], QUARTER).coverage.gaps
    assert (gap.why, gap.manual) == (("not read over the network until then",), 1)


def test_a_poller_that_ended_without_a_word() -> None:
    events = [event("01-01", ev.ServiceStarted(version="1"), clock="00:00"), listed("01-01")]
    events += [read("01-01"), event("01-04", ev.ServiceStarted(version="1")), read("01-05")]
    (gap, _) = the_relay(events, QUARTER).coverage.gaps
    assert gap.why == ("the poller began anew on 2026-01-04 12:00:00 UTC; it had not ended well",)
