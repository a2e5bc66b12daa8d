"""Planned work in rows, and all of one piece."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from poller.answers.work import (
    CheckLine,
    Expected,
    InTheWay,
    NoteLine,
    WorkPicture,
    WorkRow,
    asked,
    picture,
    row,
    rows,
)
from poller.model.canonical import adapter, plain
from poller.model.standing import State
from poller.model.work import NoteKind, SettingsFile, Work, WorkKind, WorkState
from poller.work.readiness import Obstacle
from tests.answers.sites import site
from tests.answers.work_world import (
    BUSY,
    HOSTILE,
    PLAN,
    PROVEN,
    TOOK,
    TOOK_NOT,
    line,
    looks_of_its_own,
    note,
    texts,
    work,
)
from tests.answers.world import NOW, READING, STATE, ago


def test_a_row_tells_what_is_meant_and_when() -> None:
    assert row(work(), BUSY, NOW) == WorkRow(
        id="w1",
        relay="q07-main1",
        position="Q07 main 1",
        kind=WorkKind.UPDATE,
        state=WorkState.READY,
        says="ready",
        meant="firmware update, firmware V2.12.00 afterwards",
        start=PLAN.start,
        end=PLAN.end,
        window="2026-03-01 08:00 +01:00 Europe/Vienna to 2026-03-01 14:00 +01:00 Europe/Vienna",
        reference="WO 31",
        by="J. Kral (uid 7)",
        entered_at=ago(days=1),
        since=ago(hours=3),
        age_s=3 * 3_600,
    )


@pytest.mark.parametrize(
    ("asked", "found"),
    [
        ({}, "w10 w2"),  # by the start of the window
        ({"ended": True}, "w1 w10 w2"),
        ({"relays": ["q07-main1"]}, "w2"),
        ({"relays": ["q07-main1"], "ended": True}, "w1 w2"),
        ({"states": [WorkState.CLOSED]}, "w1"),
        ({"states": [WorkState.READY], "relays": ["q07-main1"]}, ""),
    ],
)
def test_a_choice_of_work(asked: dict[str, Any], found: str) -> None:
    assert " ".join(one.id for one in rows(BUSY, NOW, **asked)) == found


@pytest.mark.parametrize(
    ("one", "says"),
    [
        (PROVEN, "readings verified, test not recorded"),
        (replace(PROVEN, proven=False), "checking"),
        # a test of the try before does not prove this one
        (
            replace(PROVEN, notes=(note(NoteKind.TESTED, ago(hours=4)),), notes_before=1),
            "readings verified, test not recorded",
        ),
        (replace(PROVEN, notes=(note(NoteKind.TESTED, ago(hours=1)),)), "checking"),
        (replace(PROVEN, state=WorkState.VERIFIED), "verified"),
        (replace(PROVEN, state=WorkState.CLOSED), "closed: readings verified, test not recorded"),
        (
            replace(PROVEN, state=WorkState.CLOSED, notes=(note(NoteKind.TESTED, ago(hours=1)),)),
            "closed",
        ),
        (work(state=WorkState.WAITING_FOR_RELAY), "waiting for the relay"),
    ],
)
def test_a_reading_never_passes_for_a_test(one: Work, says: str) -> None:
    assert row(one, BUSY, NOW).says == says


@pytest.mark.parametrize("state", WorkState)
def test_every_state_says_what_to_do_next(state: WorkState) -> None:
    assert picture(work("w7", state), STATE, NOW).next


def test_the_next_step_names_the_command() -> None:
    assert picture(work("w7"), STATE, NOW).next == "within its window: bayroll work start w7"
    assert "bayroll work note w1 --kind tested" in picture(PROVEN, STATE, NOW).next


def test_what_is_expected_stands_first_then_what_stays() -> None:
    seen = picture(work(), STATE, NOW).expects
    assert seen[0] == Expected(name="swRev", says="firmware", before="V2.11.00", after="V2.12.00")
    assert [(one.name, one.after) for one in seen[1:]] == [
        ("vendor", None),
        ("model", None),
        ("serNum", None),
        ("orderCode", None),
        ("components.boot.swRev", None),
    ]


def test_a_line_says_what_to_do_until_it_is_as_expected() -> None:
    one = work(lines=(TOOK_NOT, TOOK, line("health", "ok", None, None)))
    seen = picture(one, STATE, NOW, next_step=lambda line: f"see to {line.name}")
    assert [check.next for check in seen.lines] == ["see to swRev", None, "see to health"]
    assert seen.lines[0] == CheckLine(
        name="swRev",
        says="firmware",
        expected="V2.12.00",
        read="V2.11.00",
        at=ago(minutes=1),
        ok=False,
        next="see to swRev",
    )


def test_lines_as_they_come_out_now_stand_before_those_recorded() -> None:
    seen = picture(work(lines=(TOOK_NOT,)), STATE, NOW, lines=(TOOK,))
    assert [check.ok for check in seen.lines] == [True]


def test_what_stands_in_the_way_has_its_cure() -> None:
    found = [Obstacle(rule="answering", says="It does not answer.", cure="See to its connection.")]
    assert picture(work(), STATE, NOW, in_the_way=found).in_the_way == (
        InTheWay(rule="answering", says="It does not answer.", cure="See to its connection."),
    )


def test_nothing_in_the_way_is_not_the_same_as_not_known() -> None:
    assert picture(work(), STATE, NOW, in_the_way=()).in_the_way == ()
    assert picture(work(), STATE, NOW).in_the_way is None


@pytest.mark.parametrize(
    ("state", "told"),
    [
        (WorkState.PLANNED, True),
        (WorkState.READY, True),
        (WorkState.NOT_DONE, True),
        (WorkState.WRONG_VERSION, True),
        (WorkState.UNDER_WAY, False),
        (WorkState.CHECKING, False),
        (WorkState.VERIFIED, False),
        (WorkState.CLOSED, False),
    ],
)
def test_what_stands_in_the_way_is_told_where_it_could_start(state: WorkState, told: bool) -> None:
    seen = asked(work(state=state), BUSY, site(), None, NOW)
    assert (seen.in_the_way is not None) == told


def test_without_a_site_what_is_recorded_is_still_told() -> None:
    seen = asked(work(state=WorkState.NOT_DONE, lines=(TOOK_NOT,)), BUSY, None, READING, NOW)
    assert (seen.in_the_way, [check.ok for check in seen.lines]) == (None, [False])


def test_without_a_reading_the_lines_are_as_they_were_recorded() -> None:
    one = replace(PROVEN, lines=(TOOK_NOT,))
    assert [check.ok for check in asked(one, BUSY, site(), None, NOW).lines] == [False]
    assert len(asked(one, BUSY, site(), READING, NOW).lines) > 1


def test_a_version_that_did_not_take_says_what_the_procedure_says() -> None:
    seen = asked(work(state=WorkState.NOT_DONE, lines=(TOOK_NOT,)), BUSY, site(), None, NOW)
    assert "Load the package again from the service port." in (seen.lines[0].next or "")


def test_notes_say_their_kind_in_words() -> None:
    one = work(notes=(note(NoteKind.PARTNER_TRIPS, ago(hours=1)),))
    assert picture(one, STATE, NOW).notes == (
        NoteLine(
            at=ago(hours=1),
            by="J. Kral (uid 7)",
            kind=NoteKind.PARTNER_TRIPS,
            says="partner confirmed to trip",
            text="protocol 7",
        ),
    )


def test_an_investigation_that_is_linked_to_it_is_named() -> None:
    assert picture(BUSY.works["w1"], BUSY, NOW).investigations == ("i1",)


def test_text_of_devices_and_people_is_escaped_everywhere() -> None:
    plan = replace(
        PLAN,
        relay=HOSTILE,
        expects={"swRev": HOSTILE, f"components.{HOSTILE}.swRev": HOSTILE},
        before={"swRev": HOSTILE, "model": HOSTILE},
        zone=HOSTILE,
        reference=HOSTILE,
        settings=SettingsFile(
            name=HOSTILE, sha256_before="a" * 64, sha256_after=None, reviewed_by=HOSTILE
        ),
    )
    one = work(
        plan=plan,
        by=HOSTILE,
        why=HOSTILE,
        overridden=(HOSTILE,),
        lines=(line(HOSTILE, HOSTILE, HOSTILE, False),),
        notes=(note(NoteKind.REMARK, NOW, HOSTILE),),
    )
    found = [Obstacle(rule=HOSTILE, says=HOSTILE, cure=HOSTILE)]
    seen = picture(one, State(), NOW, in_the_way=found, next_step=lambda line: HOSTILE)
    told = list(texts({**plain(seen), "relay": ""}))  # an id of ours
    assert sum(r"\x1b" in text for text in told) >= 15
    assert all(map(looks_of_its_own, told))


def test_a_picture_has_a_schema_that_names_all_it_tells() -> None:
    told = plain(picture(PROVEN, STATE, NOW))
    schema = adapter(WorkPicture).json_schema(mode="serialization")
    assert set(told) == set(schema["properties"])
