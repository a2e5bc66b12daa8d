"""Investigations and spare boxes: what people put on record of them, and what is refused."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from poller.judging.findings import Silent
from poller.model.work import Disposition
from poller.work.requests import (
    CloseWork,
    GiveDisposition,
    LinkInvestigation,
    RemoveSpare,
    ShelveSpare,
    StartWork,
)
from tests.work.world import OTHER, T0, Desk, R, desk, plate, update

LINK = LinkInvestigation(investigation="i1", work="w1")
GIVE = GiveDisposition(
    investigation="i1", disposition=Disposition.EMERGENCY_REPLACEMENT, why="it smoked"
)


def changed() -> Desk:
    """i1: at nine somebody put V2.11 into q07-main1, unplanned."""
    made = desk()
    made.now = T0 + timedelta(hours=1)
    made.believe(plate("V2.11", serial="40111"))
    made.now += timedelta(hours=1)
    return made


def test_work_entered_afterwards_is_linked_and_the_investigation_stays_open() -> None:
    made = changed()
    made.ask(update(version="V2.12"))
    (body,) = made.ask(LINK)
    assert (body.kind, made.events[-1].subject) == ("investigation_linked", R)
    found = made.state.investigations["i1"]
    assert (found.work, found.disposition, str(found.change)) == ("w1", None, "unplanned")


def test_it_can_be_linked_to_other_work_but_not_to_the_same_twice() -> None:
    made = changed()
    made.ask(update(version="V2.12"))
    made.ask(LINK)
    assert made.refused(LINK) == "i1: it is linked to w1 already"
    later = T0 + timedelta(days=1)
    made.ask(update(version="V2.12", start=later, end=later + timedelta(hours=1)))
    made.ask(LinkInvestigation(investigation="i1", work="w2"))
    assert made.state.investigations["i1"].work == "w2"


def test_work_that_was_there_before_is_no_excuse() -> None:
    made = desk()
    later = T0 + timedelta(days=1)
    made.ask(update(start=later, end=later + timedelta(hours=1)))
    made.now = T0 + timedelta(hours=1)
    made.believe(plate("V2.11", serial="40111"))
    assert "w1 was entered before the change of i1 was found" in made.refused(LINK)


def test_work_on_another_relay_is_none() -> None:
    made = changed()
    made.ask(update(OTHER))
    assert f"w1 is work on {OTHER}, i1 is about {R}" in made.refused(LINK)


@pytest.mark.parametrize("request_", [LINK, GIVE])
def test_what_there_is_not_is_said(request_: Any) -> None:
    assert desk().refused(request_).startswith("i1: no such investigation")


def test_no_such_work() -> None:
    assert changed().refused(LINK).startswith("w1: no such work")


def test_a_person_says_once_what_it_was() -> None:
    made = changed()
    made.ask(GIVE)
    found = made.state.investigations["i1"]
    assert (found.disposition, found.why, found.by, found.closed_at) == (
        "emergency_replacement",
        "it smoked",
        "J. Kral (uid 1000)",
        made.now,
    )
    assert "i1: it was closed as emergency_replacement on 2026-03-02" in made.refused(GIVE)


def test_nothing_closes_an_investigation_by_itself() -> None:
    made = changed()
    made.ask(update(version="V2.12"))
    made.ask(LINK)
    made.ask(StartWork(work="w1", although="it must be"))
    made.end()
    made.reread()
    made.ask(CloseWork(work="w1", why="done with"))
    made.wait(days=30)
    assert made.state.investigations["i1"].disposition is None


# Spares.


def spare(**changed: Any) -> ShelveSpare:
    return ShelveSpare(**({"vendor": "Tarn", "serNum": "9", "shelf": "B3"} | changed))


def test_a_box_on_a_shelf_is_known_with_what_was_said_of_it() -> None:
    made = desk()
    made.ask(spare(orderCode="A", swRev="V2.10", tested_on="2026-02-28"))
    box = made.state.assets["Tarn/9"]
    assert (box.place, box.orderCode, box.swRev, box.tested_on) == (
        "shelf: B3",
        "A",
        "V2.10",
        "2026-02-28",
    )
    assert made.events[-1].subject == ""


def test_a_box_that_answers_at_a_position_is_on_no_shelf() -> None:
    made = desk()
    assert f"40111 answers at {R}" in made.refused(spare(serNum="40111"))
    made.tell(Silent(last_answer_at=None, reason="no reply"))
    made.ask(spare(serNum="40111"))  # it was taken out
    box = made.state.assets["Tarn/40111"]
    assert [place for _, place in box.places] == [R, "shelf: B3"]


def test_a_serial_number_of_another_maker_is_another_box() -> None:
    made = desk()
    made.ask(spare(vendor="Fell", serNum="40111"))
    assert made.state.assets["Fell/40111"].place == "shelf: B3"


@pytest.mark.parametrize("day", ["2026-03-02", "2026-03-03", "1999-12-31"])
def test_days_of_a_test(day: str) -> None:
    made = desk()
    made.ask(spare(tested_on=day))
    assert made.state.assets["Tarn/9"].tested_on == day


@pytest.mark.parametrize(
    ("day", "says"),
    [
        ("2026-03-04", "that day is still to come"),
        ("2026-02-29", "no day"),
        ("20260301", "no day; write it as 2026-03-01"),
        ("yesterday", "no day"),
    ],
)
def test_days_that_are_none(day: str, says: str) -> None:
    assert says in desk().refused(spare(tested_on=day))


def test_a_box_leaves_the_shelf_once() -> None:
    made = desk()
    take = RemoveSpare(vendor="Tarn", serNum="9", why="sent for repair")
    assert "no such box is on a shelf" in made.refused(take)
    made.ask(spare())
    made.ask(take)
    assert made.state.assets["Tarn/9"].place == ""
    assert "no such box is on a shelf" in made.refused(take)


def test_a_box_at_a_position_is_not_taken_from_the_shelf() -> None:
    made = desk()
    assert "no such box is on a shelf" in made.refused(
        RemoveSpare(vendor="Tarn", serNum="40111", why="sent for repair")
    )
