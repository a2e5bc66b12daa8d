"""Windows of work, with and across clock changes.

The dates of the changes: EU Directive 2000/84/EC, articles 2 and 3: last Sundays of March and
October at 01:00 UTC; in Germany 02:00 becomes 03:00 on 2026-03-29, and 03:00 becomes 02:00 on
2026-10-25. Other zones: the IANA time zone database, for which zoneinfo answers.
"""

from __future__ import annotations

import contextlib
import re
import zoneinfo
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from poller.model import limits
from poller.model.refusal import Refusal
from poller.work.window import instant, window, zone_named

LENGTHS = """
Europe/Berlin       2026-03-02 08:00           2026-03-02 16:00           8:00   # a winter's day
Europe/Berlin       2026-07-02 08:00           2026-07-02 16:00           8:00
Europe/Berlin       2026-03-28 22:00           2026-03-29 06:00           7:00   # put forward
Europe/Berlin       2026-10-24 22:00           2026-10-25 06:00           9:00   # put back
Europe/Berlin       2026-03-29 01:59           2026-03-29 03:00           0:01
Europe/Berlin       2026-10-25 01:59           2026-10-25 03:00           2:01
Europe/Berlin       2026-10-25 02:30+02:00     2026-10-25 02:30+01:00     1:00   # the hour twice
Europe/Berlin       2026-10-25T02:30+02:00     2026-10-25T02:45+02:00     0:15
UTC                 2026-03-28 22:00           2026-03-29 06:00           8:00
Asia/Kathmandu      2026-03-28 22:00           2026-03-29 06:00           8:00   # +05:45
Australia/Lord_Howe  2026-04-04 22:00          2026-04-05 06:00           8:30   # half an hour
"""

REFUSED = """
Europe/Berlin | 2026-03-29 02:30 | 2026-03-29 06:00 | never shows this time; did you mean 2026-03-29 01:30 or 2026-03-29 03:30?
Europe/Berlin | 2026-03-29 01:00 | 2026-03-29 02:00 | did you mean 2026-03-29 01:00 or 2026-03-29 03:00?
Europe/Berlin | 2026-10-25 02:30 | 2026-10-25 06:00 | write 2026-10-25T02:30+02:00 or 2026-10-25T02:30+01:00
Europe/Berlin | 2026-10-25 01:00 | 2026-10-25 02:00 | shows this time twice
Europe/Berlin | 2026-07-01 08:00+01:00 | 2026-07-01 16:00 | not at that offset then; write 2026-07-01T09:00+02:00
Europe/Berlin | 2026-03-02 16:00 | 2026-03-02 08:00 | give an end that comes after the start
Europe/Berlin | 2026-03-02 16:00 | 2026-03-02 16:00 | give an end that comes after the start
Europe/Berlin | 2026-10-25 02:30+01:00 | 2026-10-25 02:30+02:00 | give an end that comes after the start
Europe/Berlin | 2026-03-02 16:00 | 2027-03-02 16:00 | give each outage a window of its own
Europe/Berlin | tomorrow         | 2026-03-02 16:00 | write it as 2026-03-01 09:00
Europe/Berlin | 0001-01-01 00:00 | 2026-03-02 16:00 | write it as 2026-03-01 09:00
Europe/Ys     | 2026-03-02 08:00 | 2026-03-02 16:00 | give an IANA name
Europe        | 2026-03-02 08:00 | 2026-03-02 16:00 | give an IANA name
../UTC        | 2026-03-02 08:00 | 2026-03-02 16:00 | give an IANA name
"""  # noqa: E501


def rows(table: str) -> list[str]:
    return [line.split("#")[0].strip() for line in table.strip().splitlines()]


@pytest.mark.parametrize("row", rows(LENGTHS))
def test_a_window_is_as_long_as_its_start_and_end_say(row: str) -> None:
    zone, start, end, length = (part.strip() for part in re.split(r" {2,}", row))
    hours, minutes = length.split(":")
    first, last = window(start, end, zone)
    assert last - first == timedelta(hours=int(hours), minutes=int(minutes))


@pytest.mark.parametrize("row", rows(REFUSED))
def test_what_is_no_window_is_refused_with_the_mend(row: str) -> None:
    zone, start, end, says = (part.strip() for part in row.split("|"))
    with pytest.raises(Refusal) as refusal:
        window(start, end, zone)
    assert says in str(refusal.value)


def test_it_is_told_in_utc() -> None:
    start, end = window("2026-03-29 01:30", "2026-03-29 03:30", "Europe/Berlin")
    assert start == datetime(2026, 3, 29, 0, 30, tzinfo=UTC)
    assert end == datetime(2026, 3, 29, 1, 30, tzinfo=UTC)
    assert (start.tzinfo, end.tzinfo) == (UTC, UTC)


ZONES = st.sampled_from(
    ("Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "Asia/Kathmandu", "UTC")
)
INSTANTS = st.datetimes(
    min_value=datetime(2020, 1, 1),  # noqa: DTZ001 - Hypothesis wants it so
    max_value=datetime(2037, 12, 31),  # noqa: DTZ001
    timezones=st.just(UTC),
).map(lambda at: at.replace(microsecond=0))


@given(at=INSTANTS, zone=ZONES)
def test_an_instant_comes_back_from_its_local_time_with_offset(at: datetime, zone: str) -> None:
    place = zoneinfo.ZoneInfo(zone)
    assert instant(at.astimezone(place).isoformat(), place) == at


@given(at=INSTANTS, zone=ZONES)
def test_without_offset_it_comes_back_or_is_said_to_come_twice(at: datetime, zone: str) -> None:
    place = zoneinfo.ZoneInfo(zone)
    text = at.astimezone(place).replace(tzinfo=None).isoformat(sep=" ")
    try:
        found = instant(text, place)
    except Refusal:
        offsets = {at.astimezone(place).replace(fold=fold).utcoffset() for fold in (0, 1)}
        assert len(offsets) == 2
    else:
        assert found == at


@given(st.text(max_size=limits.TEXT_MAX + 1))
def test_any_text_is_a_time_or_refused(text: str) -> None:
    with contextlib.suppress(Refusal):
        assert instant(text, zone_named("Europe/Berlin")).tzinfo is UTC


@given(st.text(max_size=limits.TEXT_MAX + 1))
def test_any_text_is_a_zone_or_refused(text: str) -> None:
    with contextlib.suppress(Refusal):
        assert zone_named(text).key == text
