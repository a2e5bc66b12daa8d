"""Changes that nobody planned: the oldest stands on top, and its age is seen."""

from __future__ import annotations

from dataclasses import replace

from poller.answers.investigations import InvestigationRow, row, rows
from poller.model.canonical import plain
from poller.model.events import ChangeClass
from poller.model.work import Disposition
from tests.answers.work_world import BUSY, CLOSED, HOSTILE, OPEN, UP, looks_of_its_own, texts
from tests.answers.world import NOW, ago

DAY_S = 86_400


def test_an_open_one_ages() -> None:
    assert row(OPEN, BUSY, NOW) == InvestigationRow(
        id="i2",
        relay="q07-main1",
        position="Q07 main 1",
        change=ChangeClass.UNPLANNED,
        says="firmware changed from V2.10.00 to V2.11.00 (newer), and nobody planned it.",
        open=True,
        opened_at=ago(days=3, hours=4),
        age_s=3 * DAY_S + 4 * 3_600,
        disposition=None,
        disposition_says=None,
        why=None,
        by=None,
        closed_at=None,
        work=None,
    )


def test_a_closed_one_stays_as_old_as_it_became() -> None:
    told = row(CLOSED, BUSY, NOW)
    assert (told.open, told.age_s, told.disposition, told.disposition_says, told.work) == (
        False,
        DAY_S,
        Disposition.MISTAKE,
        "a mistake",
        "w1",
    )


def test_work_that_is_linked_does_not_close_it() -> None:
    assert row(replace(OPEN, work="w2"), BUSY, NOW).open


def test_closed_ones_are_listed_only_if_asked_for() -> None:
    assert [one.id for one in rows(BUSY, NOW)] == ["i2"]
    assert [one.id for one in rows(BUSY, NOW, closed=True)] == ["i1", "i2"]


def test_of_one_relay_only() -> None:
    assert rows(BUSY, NOW, relay="q10-main1") == ()


def test_what_a_device_said_is_escaped() -> None:
    told = row(replace(OPEN, changes=(replace(UP, after=HOSTILE),), why=HOSTILE), BUSY, NOW)
    assert r"\x1b" in told.says
    assert all(map(looks_of_its_own, texts(plain(told))))
