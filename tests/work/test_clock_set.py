"""A wall clock that is set while work goes on neither holds it up nor hurries it."""

from __future__ import annotations

import json
from datetime import datetime, timedelta

import pytest

from poller.clock_set import told_anew
from poller.judging.findings import Edges
from poller.model.canonical import adapter, plain, stamp
from poller.model.events import ClockStepped, Event, RelayAnswering, ServiceStarted
from poller.model.standing import Baseline, Firmware, Flag, Manual, Relay, State
from poller.model.work import FirmwareStatus, NoteKind, Work, WorkState
from poller.state import fold
from poller.work.line_names import ANSWERING
from tests.work.test_attending import checking
from tests.work.world import T0, R, plate

SET = pytest.mark.parametrize("by", [timedelta(hours=-2), timedelta(hours=5)])
PATIENCE = timedelta(seconds=300)  # confirm_after_restart_s of the site


@SET
def test_what_did_not_take_is_told_in_its_time(by: timedelta) -> None:
    made = checking(version=None)
    made.step_clock(by)
    made.wait(seconds=PATIENCE.total_seconds() - 1)
    early = made.where()
    made.wait(seconds=1)
    assert (early, made.where()) == ("checking", "not_done")


@SET
def test_what_is_read_after_the_work_says_something(by: timedelta) -> None:
    made = checking()
    made.step_clock(by)
    made.attend()
    (read_at,) = [line.at for line in made.work().lines if line.name == ANSWERING]
    assert read_at == made.now


@SET
def test_a_flag_that_the_work_raised_stays_its_own(by: timedelta) -> None:
    made = checking()
    rose = Edges(flags={"firmware_changed": True}, last_old_at=None, first_new_at=made.now)
    made.tell(rose)
    work = made.work()
    made.step_clock(by)
    flag, begun = made.state.relays[R].flags["firmware_changed"], made.work().started_at
    assert begun is not None
    assert work.started_at is not None
    assert flag.since - begun == made.now - by - work.started_at


@SET
def test_a_change_after_it_is_judged_against_the_work(by: timedelta) -> None:
    made = checking(version=None)
    made.step_clock(by)
    (told, *_) = made.believe(plate("V2.11", serial="40111"), first_new_at=made.now)
    assert getattr(told, "work", None) == "w1"


@SET
def test_a_functional_test_counts_though_nobody_saw_that_the_clock_was_set(by: timedelta) -> None:
    """The poller did not run. Found by seed 2132: it seemed to be from before the work."""
    made = checking()
    made.now += by
    made.note(NoteKind.TESTED)
    assert made.work().tested is not None


# Which times move.

BEFORE = T0 - timedelta(days=3)
NOW = T0 + timedelta(hours=1)
BY = timedelta(hours=-2)


@pytest.mark.parametrize(
    ("says", "then", "moves"),
    [
        ("told before the computer started", BEFORE, False),
        ("told as it started", T0, True),
        ("told a while ago", T0 + timedelta(minutes=20), True),
        ("told just now", NOW, True),
        ("ahead of the clock, so that another told it", NOW + timedelta(days=300), False),
        ("never", None, False),
    ],
)
def test_what_was_told_since_the_computer_started_is_told_anew(
    says: str, then: datetime | None, moves: bool
) -> None:
    relay = Relay(bay="Q07", function="main 1", address="a", nameplate_since=then)
    state = State(relays={R: relay}, clock_since=T0)
    after = told_anew(state, -7_200_000, NOW + BY)
    expected = then + BY if moves and then is not None else then
    assert after.relays[R].nameplate_since == expected


@pytest.mark.parametrize(
    ("before", "after", "moved"),
    [("a", "a", True), ("a", "b", False), (None, "a", False), (None, None, False)],
)
def test_a_poller_that_starts_again_knows_whether_the_computer_did(
    before: str | None, after: str | None, moved: bool
) -> None:
    first = State(relays={R: Relay(bay="Q07", function="main 1", address="a")})
    told = [
        Event(at=T0, subject="", body=ServiceStarted(version="1", boot=before)),
        Event(at=T0, subject=R, body=RelayAnswering(silent_since=None)),
        Event(at=NOW, subject="", body=ServiceStarted(version="1", boot=after)),
        Event(at=NOW + BY, subject="", body=ClockStepped(by_ms=-7_200_000)),
    ]
    relay = fold(first, enumerate(told, 1)).relays[R]
    assert relay.answering_since == (T0 + BY if moved else T0)


@pytest.mark.parametrize("by_ms", [-(10**18), 10**18, 10**30])
def test_a_clock_that_leaves_the_calendar_moves_nothing(by_ms: int) -> None:
    made = checking()
    assert told_anew(made.state, by_ms, made.now).works == made.state.works


def test_a_clock_that_is_set_there_and_back_leaves_all_as_it_was() -> None:
    made = checking()
    made.attend()
    before = made.state
    made.step_clock(BY)
    made.step_clock(-BY)
    assert (made.state.works, made.state.relays) == (before.works, before.relays)


def test_no_time_of_work_is_forgotten() -> None:
    """Every time that its moves have left behind moves."""
    made = checking(version=None)
    made.wait(minutes=6)
    before = made.work()
    assert before.state == WorkState.NOT_DONE
    made.step_clock(BY)
    moved = [name for name in Work.__slots__ if getattr(before, name) != getattr(made.work(), name)]
    times = [n for n in Work.__slots__ if isinstance(getattr(before, n), datetime)]
    assert set(moved) - {"lines", "notes"} == set(times)


def test_no_time_of_a_relay_is_forgotten() -> None:
    """But that of a front-panel reading, which is a person's word."""
    relay = Relay(
        bay="Q07",
        function="main 1",
        address="a",
        nameplate_since=T0,
        answering_since=T0,
        unreadable_since=T0,
        settings_changed_at=T0,
        flags={"f": Flag(says="f", since=T0)},
        baseline=Baseline(nameplate=plate("V2.11"), at=T0, by=None, why="", reference=None),
        manual=Manual(values={}, read_at=T0, by=None),
        firmware={
            "swRev": Firmware(
                status=FirmwareStatus.CURRENT, version="V2.11", target=None, rule=None, since=T0
            )
        },
    )
    state = State(relays={R: relay}, clock_since=T0)
    after = told_anew(state, -7_200_000, NOW + BY).relays[R]
    then, now = (json.dumps(plain(one)).count(stamp(T0)) for one in (relay, after))
    assert json.dumps(adapter(Relay).json_schema()).count("date-time") == then
    assert now == 1
