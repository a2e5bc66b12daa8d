"""The standard's figures, worked out by hand for a few alarms, and their targets."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from poller.alarms.measures import SCOPE, Measures, measured
from poller.model.alarms import AlarmState, Audience, Happening, Inhibit, Priority
from poller.model.events import AlarmInhibited, AlarmMoved, Event
from poller.site.alarm_catalogue import Targets

T0 = datetime(2026, 3, 1, tzinfo=UTC)
A, B, C, D = AlarmState
MOVES = {
    "tells": (Happening.OCCURS, A, B),
    "again": (Happening.OCCURS, D, B),
    "acked": (Happening.ACKNOWLEDGED, B, C),
    "over": (Happening.RETURNS, B, D),
    "gone": (Happening.RETURNS, C, A),
    "back": (Happening.RELEASED_ALARM, B, B),
}


def move(
    minute: float,
    alarm: str,
    what: str = "tells",
    priority: Priority = Priority.LOW,
    audience: Audience = Audience.OPERATOR_ALARM,
    annunciated: bool = True,
) -> Event:
    happening, before, after = MOVES[what]
    body = AlarmMoved(
        alarm=alarm,
        entry="silent",
        audience=(audience,),
        priority=priority,
        happening=happening,
        before=before,
        after=after,
        says="x",
        since=T0,
        occurrence="",
        annunciated=annunciated,
        chattering=False,
    )
    return Event(at=T0 + timedelta(minutes=minute), subject="q01", body=body)


def at(*minutes: float) -> list[Event]:
    """An alarm of its own at each of these minutes."""
    return [move(minute, f"a{number}") for number, minute in enumerate(minutes)]


def over_days(events: Iterable[Event], days: float = 1) -> Measures:
    return measured(events, T0, T0 + timedelta(days=days))


def value(found: Measures, name: str) -> float | None:
    return next(one.value for one in found.figures if one.name == name)


# minutes at which alarms are told, of one day; then figures as worked out by hand
RATES = """
(none)                       : per day 0; per hour 0; per 10 min 0; most in 10 min 0
0 1 2                        : per day 3; per hour 0.125; most in 10 min 3
0 9 10 19 20                 : most in 10 min 2; 10 min with more than 10 0
0*11                         : most in 10 min 11; 10 min with more than 10 0.694  # 1 of 144
0*31                         : hours with more than 30 4.167                      # 1 of 24
0*30                         : hours with more than 30 0
0*16 59*15 60                : hours with more than 30 4.167
"""


def _minutes(text: str) -> list[float]:
    if text.strip() == "(none)":
        return []
    words = [word.partition("*") for word in text.split()]
    return [float(minute) for minute, _, times in words for _ in range(int(times or 1))]


@pytest.mark.parametrize("line", RATES.strip().splitlines())
def test_rates_are_what_they_are_by_hand(line: str) -> None:
    minutes, expected = line.split("#", maxsplit=1)[0].split(":")
    found = over_days(at(*_minutes(minutes)))
    for one in expected.split(";"):
        name, number = one.strip().rsplit(" ", 1)
        assert value(found, name) == pytest.approx(float(number), abs=0.001), name


# A flood begins with the alarm that makes more than 10 in ten minutes, and ends when there are
# fewer than 5: minutes of the alarms, and begin, end and alarms of each flood.
FLOODS = """
0*10                            : none
0*11                            : 0 10 11
0 1 2 3 4 5 6 7 8 9 10          : none               # the first is ten minutes old by then
0 1 2 3 4 5 6 7 8 9 9.5         : 9.5 16 11          # at 16 there are 7, 8, 9 and 9.5
0*11 9*4                        : 0 10 15            # at 10 there are 4
0*11 9*5                        : 0 19 16
0*11 60*11                      : 0 10 11, 60 70 11
1430*11 1439*5                  : 1430 1440 16       # the day ends
"""


@pytest.mark.parametrize("line", FLOODS.strip().splitlines())
def test_floods_begin_and_end_where_they_do_by_hand(line: str) -> None:
    minutes, expected = line.split("#", maxsplit=1)[0].split(":")
    told = [
        f"{(one.start - T0) / timedelta(minutes=1):g} {(one.end - T0) / timedelta(minutes=1):g}"
        f" {one.alarms}"
        for one in over_days(at(*_minutes(minutes))).floods
    ]
    assert (", ".join(told) or "none") == expected.strip()


def test_the_time_in_flood_is_a_share_of_the_period() -> None:
    found = over_days(at(*[0.0] * 11))  # ten minutes of 1440
    assert value(found, "time in flood") == pytest.approx(100 / 144)


def test_the_ten_most_frequent_of_twelve_that_came_twenty_times() -> None:
    often = [move(minute, "a0") for minute in range(0, 900, 100)]  # nine times
    found = over_days([*often, *(move(n, f"b{n}") for n in range(1, 12))])
    assert found.alarms == 20
    assert found.top[0] == ("a0", 9)
    # nine of one and one of nine others
    assert value(found, "share of the ten most frequent") == pytest.approx(90)


@pytest.mark.parametrize(
    ("minutes", "chatters"), [((0, 15, 30), True), ((0, 15, 31), False), ((0, 30, 31, 60), True)]
)
def test_chattering_is_three_within_half_an_hour(minutes: tuple[int, ...], chatters: bool) -> None:
    found = over_days([move(minute, "a0") for minute in minutes])
    assert found.chattering == (("a0",) if chatters else ())


FLEETING = [
    ("over within three minutes", [(0, "tells"), (3, "over")], True),
    ("over after them", [(0, "tells"), (4, "over")], False),
    ("seen before it was over", [(0, "tells"), (1, "acked"), (2, "gone")], False),
    ("the second time", [(0, "tells"), (9, "over"), (20, "again"), (21, "over")], True),
]


@pytest.mark.parametrize(("says", "steps", "expected"), FLEETING, ids=[row[0] for row in FLEETING])
def test_fleeting_is_over_before_anybody_could_look(
    says: str, steps: list[tuple[int, str]], expected: bool
) -> None:
    found = over_days([move(minute, "a0", what) for minute, what in steps])
    assert bool(found.fleeting) == expected


H = 60
STALE = [
    ("24 h and no more", [(0, "tells"), (24 * H, "over")], []),
    ("25 h, on the second day", [(0, "tells"), (25 * H, "over")], [2]),
    ("acknowledged, and stands on", [(0, "tells"), (1, "acked"), (72 * H, "gone")], [2, 3]),
    ("stands at the end", [(0, "tells")], [2, 3, 4]),
    ("told again, which makes it no younger", [(0, "tells"), (20 * H, "back")], [2, 3, 4]),
]


@pytest.mark.parametrize(("says", "steps", "days"), STALE, ids=[row[0] for row in STALE])
def test_stale_is_what_stands_for_more_than_a_day(
    says: str, steps: list[tuple[int, str]], days: list[int]
) -> None:
    events = [move(minute, "a0", what) for minute, what in steps]
    stale_on = [
        day
        for day in range(1, 5)
        if measured(events, T0 + timedelta(days=day - 1), T0 + timedelta(days=day)).stale
    ]
    assert stale_on == days


def test_stale_counts_the_worst_day() -> None:
    # three stand for two days and a half; two of them go on the second day
    events = [move(0, "a"), move(0, "b"), move(0, "c")]
    events += [move(30 * H, "a", "over"), move(30 * H, "b", "over"), move(60 * H, "c", "over")]
    assert value(over_days(events, 3), "stale on any day") == 3


def test_what_stood_since_before_the_period_is_stale_in_it_and_not_counted_as_told() -> None:
    found = measured([move(-3 * 24 * H, "a0")], T0, T0 + timedelta(days=1))
    assert (found.alarms, found.stale) == (0, ("a0",))


def test_what_was_shelved_stands_before_nobody() -> None:
    body = AlarmInhibited(
        alarm="a0", entry="silent", inhibit=Inhibit.SHELVED, until=T0, why="crew at site"
    )
    shelved = Event(at=T0 + timedelta(hours=1), subject="q01", body=body)
    assert over_days([move(0, "a0"), shelved], 3).stale == ()


def test_priorities_are_shares_of_all_that_were_told() -> None:
    told = [*[Priority.LOW] * 16, *[Priority.MEDIUM] * 3, Priority.HIGH]
    found = over_days([move(n, f"a{n}", priority=one) for n, one in enumerate(told)])
    names = ("low priority", "medium priority", "high priority")
    assert [value(found, name) for name in names] == pytest.approx([80, 15, 5])


def test_notices_and_what_is_kept_back_are_no_alarms() -> None:
    notice = move(0, "a0", audience=Audience.ENGINEERING_NOTICE)
    assert over_days([notice, move(1, "a1", annunciated=False)]).alarms == 0


def test_the_period_holds_its_start_and_not_its_end() -> None:
    assert over_days(at(-1, 0, 1_439, 1_440)).alarms == 2


def test_of_no_alarms_there_are_no_shares() -> None:
    found = over_days([])
    assert value(found, "share of the ten most frequent") is None
    assert value(found, "low priority") is None


@pytest.mark.parametrize(("days", "enough"), [(29.9, False), (30, True)])
def test_a_period_under_thirty_days_is_said_to_be_short(days: float, enough: bool) -> None:
    assert over_days([], days).long_enough == enough


def test_the_figures_are_said_to_be_of_this_source_alone() -> None:
    assert over_days([]).scope == SCOPE
    assert "whole console" in SCOPE


# Targets: ANSI/ISA-18.2-2016 table 7 and 16.4, secondary quotations. Our name, the standard's.
NAMES = {
    "per hour": "per hour (average)",
    "per 10 min": "per 10 min (average)",
    "hours with more than 30": "hours with > 30 alarms",
    "10 min with more than 10": "10-min periods with > 10 alarms",
    "most in 10 min": "maximum in a 10-min period",
    "time in flood": "time in flood",
    "chattering": "chattering",
    "fleeting": "fleeting",
}
CHECKS = Path(__file__).parents[1] / "checks" / "alarm_metrics.csv"
ROWS = {row["metric"]: row for row in csv.DictReader(CHECKS.open(encoding="utf-8"))}


@pytest.mark.parametrize("name", NAMES)
def test_a_figure_stands_beside_the_standards_target(name: str) -> None:
    row = ROWS[NAMES[name]]
    figure = next(one for one in over_days([]).figures if one.name == name)
    numbers = [
        int(re.findall(r"\d+", row[key])[0]) if row[key] else None
        for key in ("target_acceptable", "maximum_manageable")
    ]
    assert [figure.target, figure.most] == numbers


def test_the_other_targets_are_the_standards_too() -> None:
    targets = {one.name: one.target for one in over_days([]).figures}
    assert (
        f"< {targets['stale on any day'] + 1} on any day"
        == ROWS["stale (> 24 h)"]["target_acceptable"]
    )
    assert "5 % maximum" in ROWS["top-10 contribution"]["target_acceptable"]
    assert targets["share of the ten most frequent"] == 5
    shares = [targets[f"{name} priority"] for name in ("low", "medium", "high")]
    (row,) = [row for name, row in ROWS.items() if name.endswith("3 levels")]
    assert [int(one) for one in re.findall(r"\d+", row["target_acceptable"])] == shares
    assert "> 10 alarms in 10 min" in ROWS["flood start"]["target_acceptable"]
    assert "< 5 alarms in 10 min" in ROWS["flood end"]["target_acceptable"]


def test_alarms_a_day_are_held_against_what_the_catalogue_says() -> None:
    found = measured([], T0, T0 + timedelta(days=1), Targets(per_day=144, per_day_max=288))
    figure = found.figures[0]
    assert (figure.name, figure.target, figure.most) == ("per day", 144, 288)
    row = ROWS["annunciated alarms per day per operator console"]
    assert "144" in row["target_acceptable"]
    assert "288" in row["maximum_manageable"]
    assert str(Targets().per_day) in row["target_acceptable"]
    assert str(Targets().per_day_max) in row["maximum_manageable"]
