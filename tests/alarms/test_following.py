"""One alarm follows its condition, people and time: stories, each with the letter it ends in.

The letters are those of ANSI/ISA-18.2-2016, secondary; delays, latch and chattering are common
practice, no published source.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from poller.alarms.requests import ShelveAlarm
from poller.model.alarms import AlarmState, Audience, Priority, Timer
from poller.model.events import AlarmLatched, AlarmMoved, AlarmRated, TimerSet
from poller.model.refusal import Refusal
from tests.alarms.one_alarm import PERSON, T0, One, entry, holds, with_catalogue

# The entry's settings, then steps: seconds, what happens (see One.do), and the letter after it.
STORIES: list[tuple[str, dict[str, Any], str]] = [
    ("it comes and goes", {}, "0 + B, 10 ack C, 20 - A"),
    ("it goes before anybody saw it", {}, "0 + B, 10 - D, 20 ack A"),
    ("it comes again before anybody saw it", {}, "0 + B, 10 - D, 20 + B"),
    ("another of its kind comes", {}, "0 +i1 B, 10 ack C, 20 +i2 B, 30 ack C"),
    ("the same stays", {}, "0 +i1 B, 10 ack C, 20 +i1 C"),
    # delays
    ("it must stand for the on-delay", {"on_delay_s": 300}, "0 + A, 299 + A, 300 + B"),
    ("it did not stand so long", {"on_delay_s": 300}, "0 + A, 299 - A, 300 + A, 599 + A, 600 + B"),
    ("it must be away for the off-delay", {"off_delay_s": 60}, "0 + B, 9 - B, 68 - B, 69 - D"),
    ("it came back within it", {"off_delay_s": 60}, "0 + B, 9 - B, 60 + B, 70 - B, 130 - D"),
    ("acknowledged within it", {"off_delay_s": 60}, "0 + B, 9 - B, 20 ack C, 69 - A"),
    # a latch holds the condition until it is reset; it is no state of its own in the 2016 table
    ("a latch holds it", {"latching": True}, "0 + B, 10 - B, 900 - B, 901 ack C, 902 - C"),
    ("it is reset unseen", {"latching": True}, "0 + B, 10 - B, 20 reset D, 30 ack A"),
    ("it is reset after it was seen", {"latching": True}, "0 + B, 9 ack C, 10 - C, 20 reset A"),
    ("it comes anew while held", {"latching": True}, "0 + B, 9 ack C, 10 - C, 20 + B, 30 - B"),
    ("the off-delay comes before", {"latching": True, "off_delay_s": 60}, "0 + B, 9 - B, 69 - B"),
    # what keeps it back
    ("shelved, and still there after an hour", {}, "0 + B, 9 shelve E, 3608 . E, 3609 . B"),
    ("shelved, and over after an hour", {}, "0 + B, 9 shelve E, 20 - E, 3609 . A"),
    ("unshelved while it is there", {}, "0 + B, 9 ack C, 10 shelve E, 20 unshelve B"),
    ("unshelved when it is over", {}, "0 + B, 9 shelve E, 20 - E, 30 unshelve A"),
    ("shelved unseen, and over before", {}, "0 + B, 9 - D, 10 shelve E, 20 unshelve A"),
    ("shelved before it came", {}, "0 shelve E, 10 + E, 20 unshelve B"),
    ("out of service, and there at the return", {}, "0 + B, 9 out G, 20 back B"),
    ("out of service, and over", {}, "0 + B, 9 out G, 10 - G, 20 back A"),
    ("no limit of time", {}, "0 + B, 9 out G, 99999 . G"),
    ("shelved and out of service", {}, "0 + B, 1 shelve E, 2 out G, 3 back E, 4 unshelve B"),
    ("shelving ends while out of service", {}, "0 + B, 1 out G, 2 shelve G, 4000 . G, 5000 back B"),
    # suppressed by design
    ("work causes it, and it goes with the work", {}, "0 +w1 F, 60 - A"),
    ("work ends, and it stands", {}, "0 +w1 F, 60 + B, 70 ack C"),
    ("work causes it, and it was shelved", {}, "0 shelve E, 9 +w1 F, 20 + E, 30 unshelve B"),
    ("it was shelved and is over", {}, "0 shelve E, 9 +w1 F, 20 - E, 30 unshelve A"),
    ("work covers what stood", {}, "0 + B, 9 +w1 F, 20 + B"),
    ("no off-delay for what nobody was told of", {"off_delay_s": 60}, "0 +w1 F, 10 - A"),
    ("no latch for it either", {"latching": True}, "0 +w1 F, 10 - A"),
    ("its on-delay outlasts the work", {"on_delay_s": 300}, "0 +w1 A, 60 + A, 299 + A, 300 + B"),
    ("the work outlasts the on-delay", {"on_delay_s": 300}, "0 +w1 A, 300 +w1 F, 400 + B"),
    # a notice asks for no acknowledgement
    ("a notice is over", {"audience": ("engineering_notice",)}, "0 + B, 10 - A"),
    ("a notice may be acknowledged", {"audience": ("engineering_notice",)}, "0 + B, 9 ack C"),
]


def run(one: One, story: str) -> list[str]:
    """Runs it, and tells each step with the letter that it came to."""
    came = []
    for step in story.split(", "):
        at, word, _ = step.split()
        one.do(float(at), word)
        came.append(f"{at} {word} {one.alarm.letter}")
    return came


@pytest.mark.parametrize(("says", "settings", "story"), STORIES, ids=[s[0] for s in STORIES])
def test_an_alarm_ends_where_the_story_says(
    says: str, settings: dict[str, Any], story: str
) -> None:
    assert ", ".join(run(One(entry(**settings)), story)) == story


# So often within half an hour that it is held: three times by default. It rests for as long.
CHATTERING = [
    ("the third time within half an hour", "0 + B, 9 - D, 600 + B, 609 - D, 1800 + B, 1809 - B"),
    ("three in more than half an hour", "0 + B, 9 - D, 600 + B, 609 - D, 1801 + B, 1809 - D"),
    ("held until it has rested", "0 + B, 1 - D, 2 + B, 3 - D, 4 + B, 5 - B, 1804 - B, 1805 - D"),
    ("no more told meanwhile", "0 + B, 1 - D, 2 + B, 3 - D, 4 + B, 5 ack C, 6 - C, 9 + C, 10 - C"),
]


@pytest.mark.parametrize(("says", "story"), CHATTERING, ids=[s[0] for s in CHATTERING])
def test_a_chattering_alarm_is_held_until_it_has_rested(says: str, story: str) -> None:
    assert ", ".join(run(One(), story)) == story


def test_the_operator_is_told_of_a_chattering_alarm_three_times_and_no_more() -> None:
    one = One()
    for second in range(0, 1_000, 10):
        one.do(second, "+")
        one.do(second + 5, "-")
    assert one.annunciations == 3


def test_after_it_has_rested_it_chatters_no_more() -> None:
    one = One()
    run(one, "0 + B, 1 - D, 2 + B, 3 - D, 4 + B, 5 - B, 1805 - D, 1806 ack A, 1810 + B")
    assert not one.alarm.chattering


def test_how_often_chattering_is_stands_in_the_catalogue() -> None:
    one = One(catalogue=with_catalogue(chattering={"count": 2, "within_s": 60}))
    assert run(one, "0 + B, 1 - D, 60 + B, 61 - B, 121 - D")[-2:] == ["61 - B", "121 - D"]


REFUSED = """
0 ack                  nothing to acknowledge
0 + B, 9 ack, 10 ack   acknowledged already
0 + B, 9 shelve, 10 ack  it is shelved
0 + B, 9 shelve, 10 shelve  it is shelved already
0 + B, 9 unshelve      it is not shelved
0 + B, 9 back          it is not out of service
0 + B, 9 out, 10 out   it is out of service already
0 + B, 9 reset         its condition still stands
0 reset                nothing holds it
0 +w1 F, 9 ack         planned work causes it
"""


@pytest.mark.parametrize("line", REFUSED.strip().splitlines())
def test_a_person_is_refused_with_why(line: str) -> None:
    steps, why = line.split("  ", 1)
    *before, last = [step.split() for step in steps.split(", ")]
    one = One()
    for at, word, *_ in before:
        one.do(float(at), word)
    with pytest.raises(Refusal, match=f"q01.silent: .*{why.strip()}"):
        one.do(float(last[0]), last[1])


def test_shelving_is_bounded_by_the_catalogue() -> None:
    one = One(catalogue=with_catalogue(shelving_max_h=1))
    with pytest.raises(Refusal, match="1 h at most"):
        one.ask(0, ShelveAlarm(alarm="q01.silent", for_s=3_601, why="x"))
    one.ask(0, ShelveAlarm(alarm="q01.silent", for_s=3_600, why="x"))
    assert one.alarm.letter == "E"


def test_acknowledgement_is_taken_at_the_one_place_that_the_catalogue_names() -> None:
    one = One(catalogue=with_catalogue(acknowledged_over="mqtt"))
    one.do(0, "+")
    with pytest.raises(Refusal, match="over mqtt only"):
        one.do(1, "ack")


def test_who_acknowledged_and_what_they_said_is_kept_until_it_comes_again() -> None:
    one = One()
    run(one, "0 +i1 B, 9 ack C")
    assert one.alarm.acked is not None
    assert (one.alarm.acked.by, one.alarm.acked.comment) == (PERSON, "seen")
    one.do(20, "+i2")
    assert one.alarm.acked is None


def test_nothing_is_told_while_nothing_changes() -> None:
    one = One(entry(on_delay_s=300, off_delay_s=60))
    told = [len(one.do(at, word)) for at, word in ((0, "+"), (5, "+"), (300, "+"), (305, "+"))]
    assert told == [1, 0, 1, 0]


def test_a_delay_is_an_event_and_so_is_its_end() -> None:
    one = One(entry(on_delay_s=300))
    (began,) = one.do(0, "+")
    (ended,) = one.do(5, "-")
    assert isinstance(began, TimerSet)
    assert isinstance(ended, TimerSet)
    assert (began.timer, ended.until) == (Timer.ON_DELAY, None)


def test_a_latch_is_an_event_of_its_own_and_no_state() -> None:
    one = One(entry(latching=True))
    one.do(0, "+")
    (held,) = one.do(5, "-")
    assert held == AlarmLatched(alarm="q01.silent", held=True)
    assert one.alarm.state == AlarmState.UNACKNOWLEDGED


def test_what_is_kept_back_is_said_not_to_be_told() -> None:
    one = One()
    one.do(0, "shelve")
    (came,) = one.do(5, "+")
    assert isinstance(came, AlarmMoved)
    assert not came.annunciated


def test_a_change_of_the_catalogue_is_told_of_what_stands() -> None:
    one = One()
    one.do(0, "+")
    one.entry = entry(priority="high", audience=("operator_alarm", "security_event"))
    (rated,) = one.do(5, "+")
    both = (Audience.OPERATOR_ALARM, Audience.SECURITY_EVENT)
    assert rated == AlarmRated(alarm="q01.silent", audience=both, priority=Priority.HIGH)


def test_an_entry_that_is_gone_from_the_catalogue_ends_its_alarm() -> None:
    one = One(entry(off_delay_s=60, latching=True))
    one.do(0, "+")
    one.entry = None
    one.do(5, "-")
    assert one.alarm.letter == "D"


@pytest.mark.parametrize("by_s", [-86_400, -60, 60, 86_400])
def test_a_clock_that_is_put_makes_no_delay_longer_or_shorter(by_s: int) -> None:
    one = One(entry(on_delay_s=300))
    one.do(0, "+")
    one.stepped(by_s * 1_000)
    came = run(one, f"{by_s + 299} + A, {by_s + 300} + B")
    assert came == [f"{by_s + 299} + A", f"{by_s + 300} + B"]


@pytest.mark.parametrize("by_s", [-86_400, 86_400])
def test_a_clock_that_is_put_makes_no_shelving_longer_or_shorter(by_s: int) -> None:
    one = One()
    run(one, "0 + B, 0 shelve E")
    one.stepped(by_s * 1_000)
    assert run(one, f"{by_s + 3599} . E, {by_s + 3600} . B")[1].endswith("B")


def test_what_a_condition_does_not_date_is_dated_by_when_it_was_first_looked_at() -> None:
    one = One(entry(on_delay_s=900))
    for at in (100, 550, 1000):
        one.condition = replace(holds(), since=None)
        one.do(at, ".")
    assert one.alarm.condition_since == T0 + timedelta(seconds=100)


def test_what_comes_anew_while_a_latch_holds_it_is_dated_anew() -> None:
    one = One(entry(latching=True))
    for at, word in ((0, "."), (10, "ack"), (20, "-"), (900, ".")):
        one.condition = replace(holds(), since=None)
        one.do(at, word)
    assert one.alarm.condition_since == T0 + timedelta(seconds=900)


def test_what_was_told_before_a_clock_was_set_back_while_nobody_looked_does_not_count() -> None:
    one = One()
    run(one, "7200 + B, 7201 - D, 7202 + B, 7203 - D")
    assert run(one, "0 + B, 9 - D") == ["0 + B", "9 - D"]
