"""Classes of events: each is of one, and what is asked for by class is found by its kinds."""

from __future__ import annotations

import pytest

from poller.answers.classes import CHANGED, CLASSES, Weight, class_of, kinds_of, weight
from poller.model import events as ev
from poller.model.events import KINDS, Body, ChangeClass, NameplateChanged
from poller.model.nameplate import Nameplate
from poller.model.status import Health
from tests.journal.made import T0


def changed(change: ChangeClass) -> NameplateChanged:
    plate = Nameplate(swRev="1")
    return NameplateChanged(
        change=change, changes=(), nameplate=plate, map="m", last_old_at=None, first_new_at=T0
    )


@pytest.mark.parametrize("kind", sorted({name for name, _ in KINDS} - {CHANGED}))
def test_each_kind_is_of_one_class(kind: str) -> None:
    assert [name for name, one in CLASSES.items() if kind in one.kinds] != []
    assert sum(kind in one.kinds for one in CLASSES.values()) == 1


@pytest.mark.parametrize("change", ChangeClass)
def test_each_change_of_a_nameplate_is_of_one_class(change: ChangeClass) -> None:
    found = [name for name, one in CLASSES.items() if change in one.changes]
    assert found == [class_of(changed(change))]


def test_no_class_names_a_kind_that_there_is_not() -> None:
    named = {kind for one in CLASSES.values() for kind in one.kinds}
    assert named == {name for name, _ in KINDS} - {CHANGED}


def test_what_is_of_a_class_is_of_its_kinds() -> None:
    assert set(kinds_of(["unplanned", "flags"])) == {CHANGED, "flag_rose", "flag_fell"}


def test_what_was_so_when_it_was_first_read_is_no_change() -> None:
    assert class_of(ev.SettingGroupChanged(before=None, after=1)) == "first_read"
    assert class_of(ev.SettingGroupChanged(before=2, after=1)) == "settings"
    assert "setting_group_changed" in kinds_of(["first_read"])


def flag(body: type[ev.FlagRose | ev.FlagFell]) -> Body:
    says = {"says": "x"} if body is ev.FlagRose else {}
    return body(flag="f", last_old_at=None, first_new_at=T0, **says)


WEIGHTS = [
    (changed(ChangeClass.UNPLANNED), Weight.GRAVE),
    (changed(ChangeClass.WRONG_VERSION), Weight.GRAVE),
    (changed(ChangeClass.SETTINGS), Weight.NOTE),
    (changed(ChangeClass.PLANNED), Weight.REST),
    (flag(ev.FlagRose), Weight.NOTE),
    (flag(ev.FlagFell), Weight.REST),
    (ev.HealthChanged(before=Health.OK, after=Health.ALARM), Weight.GRAVE),
    (ev.HealthChanged(before=Health.ALARM, after=Health.OK), Weight.REST),
    (ev.SettingGroupChanged(before=None, after=1), Weight.REST),
    (ev.SettingGroupChanged(before=2, after=1), Weight.NOTE),
]


@pytest.mark.parametrize(("body", "expected"), WEIGHTS)
def test_what_asks_for_a_person_weighs_more(body: Body, expected: Weight) -> None:
    assert weight(body) is expected
