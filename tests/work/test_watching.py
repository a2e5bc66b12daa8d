"""Believed changes against planned work: the class, the move, and what must be investigated."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from poller.judging.findings import Reread
from poller.model import limits
from poller.model.events import InvestigationOpened, NameplateChanged, WorkMoved
from poller.model.work import WorkKind
from poller.work.requests import CancelWork, EndWork, StartWork
from poller.work.watching import judged_against
from tests.work.world import OTHER, T0, Desk, R, desk, entered, plate, site, update

WORK: dict[str, dict[str, Any]] = {
    "update": {},
    "replace": {
        "kind": WorkKind.REPLACEMENT,
        "expects": {"serNum": "9", "swRev": "V2.11", "orderCode": "A"},
    },
    "settings": {"kind": WorkKind.SETTINGS, "expects": {"paramRev": "8"}},
}

CLASSES = """
update   | swRev=V2.11             | planned       | swRev:planned                      |
update   | swRev=2.11              | planned       | swRev:planned                      |
update   | swRev=V2.12             | wrong_version | swRev:wrong_version                |
update   | swRev=V2.9              | wrong_version | swRev:wrong_version                |
update   | swRev=V02.10            | text_only     | swRev:text_only                    |
update   | swRev=V2.11 paramRev=8  | settings      | paramRev:settings swRev:planned    | paramRev
update   | swRev=V2.11 serNum=9    | replaced      | serNum:replaced swRev:planned      | serNum
update   | swRev=V2.12 serNum=9    | wrong_version | serNum:replaced swRev:wrong_version| serNum
update   | paramRev=8              | settings      | paramRev:settings                  | paramRev
replace  | serNum=9 swRev=V2.11 orderCode=A | planned | orderCode:planned serNum:planned swRev:planned |
replace  | serNum=9 swRev=V2.11 orderCode=B | options | orderCode:options serNum:planned swRev:planned | orderCode
replace  | serNum=8 swRev=V2.11    | replaced      | serNum:replaced swRev:planned      | serNum
settings | paramRev=8              | planned       | paramRev:planned                   |
settings | paramRev=9              | settings      | paramRev:settings                  | paramRev
settings | paramRev=8 swRev=V2.11  | unplanned     | paramRev:planned swRev:unplanned   | swRev
none     | swRev=V2.11             | unplanned     | swRev:unplanned                    | swRev
none     | swRev=V2.9 serNum=9     | replaced      | serNum:replaced swRev:downgraded   | serNum swRev
none     | swRev=V02.10            | text_only     | swRev:text_only                    |
"""  # noqa: E501


def pairs(text: str, by: str) -> dict[str, str]:
    return dict(part.split(by) for part in text.split())


@pytest.mark.parametrize("row", CLASSES.strip().splitlines())
def test_what_the_plan_says_of_each_change(row: str) -> None:
    kind, told, whole, each, asked = (part.strip() for part in row.split("|"))
    made = desk()
    if kind != "none":
        made.ask(update(**WORK[kind]))
    made.now = T0 + timedelta(hours=2)
    bodies = made.believe(plate(**{"version": "V2.10", "serial": "40111"} | _named(told)))
    changed = next(body for body in bodies if isinstance(body, NameplateChanged))
    assert changed.change == whole
    assert {one.attribute: one.change for one in changed.changes} == pairs(each, ":")
    assert changed.work == (None if kind == "none" else "w1")
    opened = [body for body in bodies if isinstance(body, InvestigationOpened)]
    named = [one.attribute for body in opened for one in body.changes]
    assert named == asked.split()
    assert len(opened) == bool(asked)


def _named(told: str) -> dict[str, Any]:
    ours = {"swRev": "version", "serNum": "serial"}
    return {ours.get(name, name): text for name, text in pairs(told, "=").items()}


def test_investigations_have_numbers_of_their_own_and_stay_open() -> None:
    made = desk()
    made.believe(plate("V2.12", serial="40111"))
    made.believe(plate("V2.12", serial="40113"), OTHER)
    made.believe(plate("V2.9", serial="40113"), OTHER)
    assert [(i.id, i.relay, str(i.change)) for i in made.state.investigations.values()] == [
        ("i1", R, "unplanned"),
        ("i2", OTHER, "unplanned"),
        ("i3", OTHER, "downgraded"),
    ]
    assert not [i for i in made.state.investigations.values() if i.disposition is not None]


def test_no_more_investigations_than_anybody_looks_at(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(limits, "BOOK_KEPT", 1)
    made = desk()
    made.believe(plate("V2.12", serial="40111"))
    bodies = made.believe(plate("V2.13", serial="40111"))
    assert [body.kind for body in bodies if isinstance(body, InvestigationOpened)] == []
    assert bodies[0].kind == "nameplate_changed"


# How far w1 had come, when the change was first read (hour), what was read, and where w1 is then.
MOVES = """
planned           |  9.5 | V2.11 | checking          # nobody said that it was started
planned           |  9.5 | V2.12 | wrong_version
planned           |  8.9 | V2.11 | planned           # before its window: not its own
planned           | 12.5 | V2.11 | planned
under_way         |  9.5 | V2.11 | under_way         # half done, for all we know
under_way         |  9.5 | V2.12 | under_way
waiting_for_relay |  9.5 | V2.11 | checking
waiting_for_relay |  9.5 | V2.12 | wrong_version
waiting_for_relay | 15   | V2.11 | checking          # late, but begun in time
checking          |  9.5 | V2.11 | checking
checking          |  9.5 | V2.12 | wrong_version
not_done          |  9.7 | V2.11 | checking          # it came up late
not_done          |  9.7 | V2.12 | wrong_version
cancelled         |  9.5 | V2.11 | cancelled
"""


def come_to(state: str) -> Desk:
    made = desk()
    made.ask(update())
    if state == "planned":
        return made
    if state == "cancelled":
        made.ask(CancelWork(work="w1", why="not now"))
        return made
    made.now = T0 + timedelta(hours=1)
    made.ask(StartWork(work="w1", although="it must be"))
    if state == "under_way":
        return made
    made.now += timedelta(minutes=5)
    made.ask(EndWork(work="w1"))
    if state == "waiting_for_relay":
        return made
    made.tell(Reread(at=made.now))
    if state == "not_done":
        made.wait(minutes=6)
    assert made.where() == state
    return made


@pytest.mark.parametrize("row", [line.split("#")[0] for line in MOVES.strip().splitlines()])
def test_where_a_believed_change_moves_work(row: str) -> None:
    state, hour, version, after = (part.strip() for part in row.split("|"))
    made = come_to(state)
    first = T0 + timedelta(hours=float(hour) - 8)
    made.now = max(made.now, first + timedelta(minutes=1))
    made.believe(plate(version, serial="40111"), first_new_at=first)
    assert made.where() == after


def test_what_is_put_back_is_not_done() -> None:
    made = come_to("waiting_for_relay")
    made.believe(plate("V2.12", serial="40111"))
    bodies = made.believe(plate("V2.10", serial="40111"))
    assert made.where() == "not_done"
    assert not [body for body in bodies if isinstance(body, InvestigationOpened)]


def test_what_was_verified_is_no_excuse_for_the_next_change() -> None:
    made = desk()
    made.begin()
    made.end()
    made.reread()
    made.believe(plate("V2.11", serial="40111"))
    made.attend()
    made.note_tested_after_soak()
    assert made.where() == "verified"
    bodies = made.believe(plate("V2.12", serial="40111"))
    assert isinstance(bodies[0], NameplateChanged)
    assert (bodies[0].work, str(bodies[0].change)) == (None, "unplanned")
    assert made.where() == "verified"


def test_a_change_from_before_the_start_is_none_of_the_work() -> None:
    made = desk()
    made.ask(update(end=T0 + timedelta(hours=2)))
    made.now = T0 + timedelta(minutes=30)
    made.ask(StartWork(work="w1", although="they are here already"))
    made.now = T0 + timedelta(minutes=31)
    assert judged_against(made.state, site(), R, T0 + timedelta(minutes=29)) is None
    assert judged_against(made.state, site(), R, T0 + timedelta(minutes=30)) is not None


def test_the_work_in_hand_comes_before_what_came_out_earlier() -> None:
    made = come_to("not_done")
    tomorrow = T0 + timedelta(days=1)
    made.ask(update(version="V2.12", start=tomorrow, end=tomorrow + timedelta(hours=1)))

    def against(at: timedelta) -> str | None:
        work = judged_against(made.state, site(), R, at + T0)
        return None if work is None else work.id

    assert against(timedelta(hours=10)) == "w1"
    assert against(timedelta(days=1, minutes=1)) == "w2"
    assert against(timedelta(days=1, hours=2)) == "w1"
    made.now = tomorrow
    made.ask(StartWork(work="w2", although="it must be"))
    assert against(timedelta(days=1, hours=2)) == "w2"


def test_reread_moves_only_what_waits_for_the_relay() -> None:
    made = come_to("waiting_for_relay")
    assert made.tell(Reread(at=made.now), OTHER) == []
    (body,) = made.reread()
    assert isinstance(body, WorkMoved)
    assert (made.where(), made.work().reread_at) == ("checking", made.now)
    assert made.reread() == []


def test_of_a_relay_that_only_people_can_read_their_reading_counts() -> None:
    made = desk()
    name = "q09-bay"
    made.ask(entered(name, {"vendor": "Tarn", "swRev": "V2.10"}, T0))
    made.ask(update(name))
    made.now = T0 + timedelta(hours=1)
    made.ask(StartWork(work="w1", although="its panel was read"))
    made.ask(EndWork(work="w1"))
    made.now += timedelta(minutes=5)
    made.ask(entered(name, {"vendor": "Tarn", "swRev": "V2.11"}, T0 + timedelta(minutes=59)))
    assert made.where() == "waiting_for_relay"  # read before it ended
    made.ask(entered(name, {"vendor": "Tarn", "swRev": "V2.11"}, made.now))
    assert made.where() == "checking"
    assert made.events[-1].by is None


def test_a_reading_from_the_panel_does_not_stand_for_one_from_the_relay() -> None:
    made = come_to("waiting_for_relay")
    made.now += timedelta(minutes=5)
    made.ask(entered(R, {"vendor": "Tarn", "swRev": "V2.11"}, made.now))
    assert made.where() == "waiting_for_relay"
