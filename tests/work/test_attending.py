"""What the clock alone brings: ready or not, checked or not, proven, not done, wrong."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from poller.judging.findings import Answering, Silent
from poller.model.events import VerificationChecked, WorkMoved
from poller.model.nameplate import Component
from poller.model.work import NoteKind, WorkKind
from poller.work.requests import StartWork
from tests.work.world import OTHER, T0, Desk, R, desk, entered, plate, update

SILENT = Silent(last_answer_at=None, reason="no reply")


def kinds(bodies: list[Any]) -> list[str]:
    return [body.kind for body in bodies]


# Ready or not.


def prepared() -> Desk:
    made = desk()
    made.ask(update())
    made.note(NoteKind.READ_BACK)
    made.note(NoteKind.PARTNER_TRIPS)
    return made


def test_it_is_ready_once_nothing_stands_in_the_way() -> None:
    made = desk()
    made.ask(update())
    made.note(NoteKind.READ_BACK)
    assert (made.attend(), made.where()) == ([], "planned")
    made.note(NoteKind.PARTNER_TRIPS)
    (body,) = made.attend()
    assert isinstance(body, WorkMoved)
    assert (made.where(), made.attend()) == ("ready", [])
    assert made.events[-1].by is None


def test_what_comes_into_the_way_is_said() -> None:
    made = prepared()
    made.attend()
    made.tell(SILENT)
    made.attend()
    assert (made.where(), made.work().why) == ("planned", f"{R} does not answer")


def test_what_flutters_is_ready_again_only_after_a_while() -> None:
    made = prepared()
    made.attend()
    made.tell(SILENT)
    made.wait(seconds=1)
    made.tell(Answering())
    assert (made.wait(seconds=59), made.where()) == ([], "planned")
    made.wait(seconds=1)
    assert made.where() == "ready"


def test_what_is_further_off_than_a_week_is_not_made_ready() -> None:
    made = desk()
    start = T0 + timedelta(days=7, seconds=1)
    made.ask(update(start=start, end=start + timedelta(hours=1)))
    made.note(NoteKind.READ_BACK)
    made.note(NoteKind.PARTNER_TRIPS)
    assert made.attend() == []
    made.wait(seconds=1)
    assert made.where() == "ready"


def test_when_its_window_is_over_it_is_ready_no_more() -> None:
    made = prepared()
    made.attend()
    made.wait(hours=4)
    assert made.where() == "ready"  # the last moment of its window
    made.wait(seconds=1)
    assert (made.where(), made.work().why) == ("planned", "its window is over")
    assert made.wait(hours=1) == []


# Checked.


def checking(version: str | None = "V2.11", **changed: Any) -> Desk:
    """Started at nine, ended at 9:20, read again at 9:25; version: then believed."""
    made = desk()
    made.ask(update(**changed))
    made.now = T0 + timedelta(hours=1)
    made.ask(StartWork(work="w1", although="it must be"))
    made.end()
    made.reread()
    if version is not None:
        made.believe(plate(version, serial="40111"))
    return made


def test_every_line_is_told_once_and_again_when_it_comes_out_otherwise() -> None:
    made = checking()
    (body,) = made.attend()
    assert isinstance(body, VerificationChecked)
    assert (body.work, body.holds, body.proven) == ("w1", True, False)
    assert made.wait(seconds=10) == []  # another reading of the same
    assert made.wait(minutes=10) == []
    made.tell(SILENT)
    (body,) = made.attend()
    assert isinstance(body, VerificationChecked)
    assert (body.holds, made.work().held_since) == (False, None)


def test_readings_must_hold_for_the_whole_soak_before_it_is_proven() -> None:
    made = checking()
    made.attend()
    assert made.wait(seconds=1_799) == []
    (body,) = made.wait(seconds=1)
    assert isinstance(body, VerificationChecked)
    assert body.proven
    assert (made.work().proven, made.where()) == (True, "checking")  # no test is noted


def test_the_soak_begins_anew_when_a_line_falls() -> None:
    made = checking()
    made.attend()
    made.wait(minutes=29)
    made.tell(SILENT)
    made.attend()
    made.tell(Answering())
    made.attend()
    assert made.wait(minutes=29) == []
    made.wait(minutes=1)
    assert made.work().proven


def test_what_was_proven_can_fall_again() -> None:
    made = checking()
    made.attend()
    made.wait(minutes=30)
    made.tell(SILENT)
    made.attend()
    assert not made.work().proven


def test_a_clock_that_is_set_neither_shortens_nor_lengthens_the_soak() -> None:
    made = checking()
    made.attend()
    made.step_clock(timedelta(hours=5))
    assert made.attend() == []
    made.step_clock(timedelta(hours=-7))
    assert made.wait(seconds=1_799) == []
    made.wait(seconds=1)
    assert made.work().proven


def test_verified_needs_the_test_of_a_person_as_well() -> None:
    made = checking()
    made.attend()
    made.wait(minutes=30)
    assert made.where() == "checking"
    made.note(NoteKind.TESTED)
    made.attend()
    assert made.where() == "verified"
    assert made.wait(hours=1) == []


def test_a_test_before_the_soak_is_over_counts() -> None:
    made = checking()
    made.note(NoteKind.TESTED)
    made.attend()
    assert made.where() == "checking"
    made.wait(minutes=30)
    assert made.where() == "verified"


def test_a_test_from_before_another_try_does_not() -> None:
    made = checking(version=None)
    made.note(NoteKind.TESTED)
    made.wait(minutes=6)
    assert made.where() == "not_done"
    made.ask(StartWork(work="w1", although="once more"))
    made.end()
    made.reread()
    made.believe(plate("V2.11", serial="40111"))
    made.attend()
    made.wait(minutes=31)
    assert made.where() == "checking"


def test_a_box_that_is_another_is_not_proven() -> None:
    made = checking(version=None)
    made.believe(plate("V2.11", serial="9"))
    made.note(NoteKind.TESTED)
    made.attend()
    made.wait(hours=2)
    assert (made.where(), made.work().held_since) == ("checking", None)


# Come out otherwise.


def test_a_relay_that_stays_what_it_was_has_the_patience_after_a_restart() -> None:
    made = checking(version=None)
    assert kinds(made.wait(seconds=299)) == ["verification_checked"]
    assert kinds(made.wait(seconds=1)) == ["work_moved"]
    assert made.where() == "not_done"
    assert made.wait(hours=1) == []


def test_what_comes_up_within_that_time_is_checked() -> None:
    made = checking(version=None)
    made.wait(seconds=200)
    made.believe(plate("V2.11", serial="40111"))
    made.wait(seconds=200)
    assert made.where() == "checking"


def test_another_version_that_was_believed_while_it_was_under_way_is_wrong_at_once() -> None:
    made = desk()
    made.ask(update())
    made.now = T0 + timedelta(hours=1)
    made.ask(StartWork(work="w1", although="it must be"))
    made.now += timedelta(minutes=2)
    made.believe(plate("V2.12", serial="40111"))
    made.end()
    made.reread()
    assert made.where() == "checking"
    made.attend()
    assert made.where() == "wrong_version"


def test_a_part_of_the_plan_is_checked_and_wrong_when_the_rest_does_not_follow() -> None:
    made = desk()
    parts = (Component(name="boot", swRev="1"),)
    made.believe(plate(serial="40113", components=parts), OTHER)
    made.ask(
        update(
            OTHER, kind=WorkKind.UPDATE, expects={"swRev": "V2.11", "components.boot.swRev": "2"}
        )
    )
    made.now = T0 + timedelta(hours=1)
    made.ask(StartWork(work="w1", although="it must be"))
    made.end()
    made.believe(plate("V2.11", serial="40113", components=parts), OTHER)
    assert made.where() == "checking"
    made.wait(seconds=299)
    assert made.where() == "checking"
    made.wait(seconds=1)
    assert (made.where(), made.work().why) == (
        "wrong_version",
        "only a part of what was planned was read",
    )


def test_what_only_people_can_read_comes_out_too() -> None:
    made = desk()
    name = "q09-bay"
    made.ask(entered(name, {"vendor": "Tarn", "swRev": "V2.10"}, T0))
    made.ask(update(name))
    made.now = T0 + timedelta(hours=1)
    made.ask(StartWork(work="w1", although="its panel was read"))
    made.end()
    made.ask(entered(name, {"vendor": "Tarn", "swRev": "V2.12"}, made.now))
    made.attend()
    assert made.where() == "wrong_version"


@pytest.mark.parametrize("listed", [True, False])
def test_of_a_relay_that_left_the_site_nothing_is_said(listed: bool) -> None:
    made = checking()
    relay = made.state.relays[R]
    made.state.relays[R] = type(relay)(
        bay=relay.bay,
        function=relay.function,
        address=relay.address,
        listed=listed,
        nameplate=relay.nameplate,
        answering=True,
    )
    assert bool(made.attend()) == listed


def test_without_work_there_is_nothing_to_say() -> None:
    assert desk().wait(days=1) == []


def test_what_came_up_with_another_version_tells_line_by_line_what_was_read() -> None:
    """It never came to be checked, and a person wants to know all the same what is there."""
    made = desk()
    made.begin()
    made.end()
    made.believe(plate("V2.12"))
    assert made.where() == "wrong_version"
    made.wait(seconds=5)
    told = {line.name: (line.expected, line.read, line.ok) for line in made.work().lines}
    assert told["swRev"] == ("V2.11", "V2.12", False)
    assert made.wait(seconds=5) == []
