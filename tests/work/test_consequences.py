"""What follows from an input comes with it: in one decision, of one cause, by nobody."""

from __future__ import annotations

from poller.model.events import FirmwareStatusChanged, WorkMoved
from poller.model.work import FirmwareStatus
from tests.work.world import R, desk, entered, plate


def test_a_believed_change_brings_status_move_and_investigation_at_once() -> None:
    made = desk()
    made.begin()
    made.end()
    seen = len(made.events)
    made.believe(plate("V2.11", serial="40111", paramRev="8"))
    told = made.events[seen:]
    assert [event.body.kind for event in told] == [
        "nameplate_changed",
        "firmware_status_changed",
        "work_moved",
        "investigation_opened",
    ]
    assert {(event.at, event.subject, event.cause, event.by) for event in told} == {
        (made.now, R, "c", None)
    }


def test_what_follows_from_what_a_person_did_was_done_by_nobody() -> None:
    made = desk()
    made.ask(entered("q09-bay", {"vendor": "Tarn", "swRev": "V2.11"}, made.now))
    person, follows = made.events[-2:]
    assert (person.body.kind, person.by) == ("reading_entered", "J. Kral (uid 1000)")
    assert isinstance(follows.body, FirmwareStatusChanged)
    assert (follows.body.after, follows.by) == (FirmwareStatus.CURRENT, None)


def test_reread_is_told_of_by_the_relay_alone() -> None:
    made = desk()
    made.begin()
    made.end()
    (moved,) = made.reread()
    assert isinstance(moved, WorkMoved)
    assert made.events[-1].by is None


def test_nothing_follows_from_nothing() -> None:
    assert desk().reread() == []
