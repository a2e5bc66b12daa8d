"""Work from start to end: what stands in the way, one more try, notes, and what never may be."""

from __future__ import annotations

from datetime import timedelta

import pytest

from poller.judging.findings import Silent
from poller.model import limits
from poller.model.events import RuleOverridden, WorkMoved
from poller.model.work import NoteKind, WorkKind
from poller.work.requests import CancelWork, CloseWork, EndWork, NoteWork, StartWork
from tests.work.world import T0, Desk, R, desk, plate, update

START = StartWork(work="w1")
ANYHOW = StartWork(work="w1", although="the load is low")


def planned() -> Desk:
    """w1 planned and noted as it must be; it is eight, and its window begins at nine."""
    made = desk()
    made.ask(update())
    made.note(NoteKind.READ_BACK)
    made.note(NoteKind.PARTNER_TRIPS)
    return made


def in_window() -> Desk:
    made = planned()
    made.now = T0 + timedelta(hours=1)
    return made


def failed(tries: int = 1) -> Desk:
    """Tried so often, and it did not take."""
    made = in_window()
    made.ask(START)
    for _ in range(tries - 1):
        made.end(minutes=5)
        made.ask(ANYHOW)
    made.end(minutes=5)
    made.reread()
    made.wait(minutes=6)
    assert made.where() == "not_done"
    return made


def rules(made: Desk) -> list[str]:
    return [e.body.rule for e in made.events if isinstance(e.body, RuleOverridden)]


def test_it_is_started_in_its_window_and_its_relay_is_left_alone() -> None:
    made = in_window()
    (body,) = made.ask(START)
    assert isinstance(body, WorkMoved)
    assert (made.where(), made.work().tries, made.work().started_at) == ("under_way", 1, made.now)
    assert made.events[-1].by == "J. Kral (uid 1000)"


@pytest.mark.parametrize("hour", [8.0, 8.99, 12.01, 30.0])
def test_outside_its_window_it_is_not_started(hour: float) -> None:
    made = planned()
    made.now = T0 + timedelta(hours=hour - 8)
    # as the clock of the zone shows it
    assert "its window is from 2026-03-02 10:00 to 2026-03-02 13:00 (Europe/Berlin)" in (
        made.refused(START)
    )


@pytest.mark.parametrize("hour", [9.0, 10.5, 12.0])
def test_both_ends_are_in_the_window(hour: float) -> None:
    made = planned()
    made.now = T0 + timedelta(hours=hour - 8)
    made.ask(START)
    assert made.where() == "under_way"


def test_every_obstacle_is_told_with_its_cure_and_each_is_overridden_by_one_reason() -> None:
    made = desk()
    made.ask(update())
    made.tell(Silent(last_answer_at=None, reason="no reply"))
    refusal = made.refused(START)
    told = [line.split(":")[0].strip() for line in refusal.splitlines()[1:-1:2]]
    assert {"window", "answering", "read-back", "partner-trips"} <= set(told)
    assert refusal.count("mend: ") == len(told)
    made.ask(ANYHOW)
    assert rules(made) == told
    assert made.where() == "under_way"
    assert made.work().overridden == tuple(told)


def test_the_live_reading_is_looked_at() -> None:
    made = in_window()
    made.live[R] = {"free_memory_kb": 100}
    assert "free-memory: " in made.refused(START)


def test_an_unknown_work_is_said_to_be_none() -> None:
    assert desk().refused(START) == "w1: no such work; see: bayroll work list"


@pytest.mark.parametrize("state", ["under_way", "waiting_for_relay", "checking"])
def test_one_relay_has_one_piece_of_work_in_hand_whatever_the_reason(state: str) -> None:
    made = in_window()
    made.ask(START)
    if state != "under_way":
        made.end()
    if state == "checking":
        made.reread()
    assert made.where() == state
    tomorrow = made.now + timedelta(days=1)
    made.ask(update(version="V2.12", start=tomorrow, end=tomorrow + timedelta(hours=1)))
    made.now = tomorrow
    assert f"w2: {R}: w1 " in made.refused(StartWork(work="w2", although="now"))


def test_what_came_out_wrong_does_not_hold_up_the_rollback() -> None:
    made = in_window()
    made.ask(START)
    made.end()
    made.reread()
    made.believe(plate("V2.12", serial="40111"))
    assert made.where() == "wrong_version"
    tomorrow = made.now + timedelta(days=1)
    back = update(version="V2.10", start=tomorrow, end=tomorrow + timedelta(hours=1))
    made.ask(back)
    made.now = tomorrow
    made.ask(StartWork(work="w2", although="back to what it was"))
    assert (made.where("w1"), made.where("w2")) == ("wrong_version", "under_way")


def test_one_more_try_where_the_step_permits_it() -> None:
    made = failed()
    made.ask(START)
    assert (made.where(), made.work().tries, rules(made)) == ("under_way", 2, [])


def test_after_two_tries_it_stops_unless_a_person_says_why() -> None:
    made = failed(tries=2)
    assert "retry: it was tried 2 times\n    mend: keep the relay isolated" in made.refused(START)
    made.ask(ANYHOW)
    assert (made.where(), made.work().tries) == ("under_way", 3)


def test_no_second_try_where_the_step_permits_none() -> None:
    made = desk(version="V2.11")
    made.ask(update(version="V2.10", kind=WorkKind.ROLLBACK))
    made.now = T0 + timedelta(hours=1)
    made.ask(ANYHOW)
    made.end()
    assert "retry: it was tried once" in made.refused(START)


def test_no_second_try_of_what_the_approved_list_does_not_know() -> None:
    made = desk()
    made.ask(update(version="V2.12"))
    made.now = T0 + timedelta(hours=1)
    made.ask(ANYHOW)
    made.end()
    assert "retry: it was tried once" in made.refused(START)


def test_tries_have_an_end_whatever_the_reason() -> None:
    made = in_window()
    made.ask(START)
    for _ in range(limits.WORK_TRIES_MAX - 1):
        made.end(minutes=1)
        made.ask(ANYHOW)
    made.end(minutes=1)
    assert "it was started 5 times" in made.refused(ANYHOW)


def test_it_is_ended_cancelled_and_closed_as_the_table_says() -> None:
    made = in_window()
    assert made.refused(EndWork(work="w1")) == "w1: it has not been started"
    made.ask(START)
    assert "end it first" in made.refused(CancelWork(work="w1", why="enough"))
    made.ask(EndWork(work="w1"))
    made.ask(CloseWork(work="w1", why="the relay is dead; a spare comes"))
    assert (made.where(), made.work().why) == ("closed", "the relay is dead; a spare comes")
    assert "it is closed" in made.refused(START)


def test_a_relay_that_left_the_site_can_be_ended_but_not_started() -> None:
    made = in_window()
    made.state.relays[R] = made.state.relays[R].__class__(
        bay="Q07", function="main 1", address="", listed=False
    )
    assert f"the site no longer lists {R}" in made.refused(ANYHOW)
    assert made.attend() == []
    made.ask(CancelWork(work="w1", why="gone"))
    assert made.where() == "cancelled"


NOTES = """
planned           | remark read_back records_saved partner_trips | tested
under_way         | remark read_back records_saved partner_trips tested |
waiting_for_relay | remark tested |
not_done          | remark tested |
closed            | | remark read_back records_saved partner_trips tested
"""


@pytest.mark.parametrize("row", NOTES.strip().splitlines())
def test_what_can_be_noted_when(row: str) -> None:
    state, kept, refused = (part.strip() for part in row.split("|"))
    for kind in kept.split():
        made = _in(state)
        made.note(NoteKind(kind))
        last = made.work().notes[-1]
        assert (last.kind, last.by, last.text) == (kind, "J. Kral (uid 1000)", "as the sheet says")
    for kind in refused.split():
        made = _in(state)
        assert made.refused(NoteWork(work="w1", note=NoteKind(kind), text="x")).startswith("w1: ")


def _in(state: str) -> Desk:
    made = planned()
    if state == "planned":
        return made
    made.now = T0 + timedelta(hours=1)
    made.ask(START)
    if state == "under_way":
        return made
    made.end()
    if state == "not_done":
        made.reread()
        made.wait(minutes=6)
    elif state == "closed":
        made.ask(CloseWork(work="w1", why="done with"))
    assert made.where() == state
    return made


def test_notes_have_an_end() -> None:
    made = planned()
    for _ in range(limits.WORK_NOTES_MAX - 2):
        made.note(NoteKind.REMARK)
    assert "50 notes are kept" in made.refused(
        NoteWork(work="w1", note=NoteKind.REMARK, text="one more")
    )
