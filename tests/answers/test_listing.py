"""The roll: which rows, in which order, and what stands in them."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from poller.answers.listing import Row, natural, rows, select
from poller.model.canonical import plain
from poller.model.nameplate import Nameplate
from poller.model.standing import State
from poller.model.status import Behaviour, Health, Quality
from poller.model.work import FirmwareStatus
from tests.answers.work_world import BUSY, firmware
from tests.answers.world import LIVE, NOW, Q07, Q10, READING, STATE

ROLL = rows(STATE, LIVE, NOW)
AT_WORK = rows(BUSY, LIVE, NOW)


def only(relay: Any, reading: Any = None) -> Row:
    live = {} if reading is None else {"r": reading}
    (row,) = rows(State(relays={"r": relay}), live, NOW)
    return row


def test_listed_relays_stand_by_bay_then_function() -> None:
    assert [row.id for row in ROLL] == ["q2-bay", "q07-main1", "q07-main2", "q10-main1"]


def test_a_relay_that_is_read() -> None:
    assert ROLL[1] == Row(
        id="q07-main1",
        bay="Q07",
        function="main 1",
        vendor="Tarn",
        model="TD-40",
        serNum="40117",
        orderCode="TD40-A",
        swRev="V2.11.00",
        map="tarn",
        baseline="differs",
        flags=("firmware_changed", "storage_low"),
        health=Health.OK,
        behaviour=Behaviour.TEST,
        answering=True,
        quality=Quality.GOOD,
        age_s=12,
        paused=False,
        troubles=("serial_duplicated",),
        firmware_status=None,
        firmware_says=None,
        work=(),
        investigations=(),
        open_says=None,
    )


def test_a_relay_that_nobody_could_read_but_a_person_did() -> None:
    assert ROLL[3] == Row(
        id="q10-main1",
        bay="Q10",
        function="main 1",
        vendor="Fell",
        model=None,
        serNum="40117",
        orderCode=None,
        swRev="B",
        map=None,
        baseline="new",
        flags=(),
        health=None,
        behaviour=None,
        answering=False,
        quality=Quality.MANUAL,
        age_s=5 * 86_400,
        paused=True,
        troubles=("no_valid_map",),
        firmware_status=None,
        firmware_says=None,
        work=(),
        investigations=(),
        open_says=None,
    )


def test_nothing_known_is_said_as_nothing() -> None:
    row = ROLL[0]
    known = (row.vendor, row.swRev, row.map, row.health, row.answering, row.quality, row.age_s)
    assert known == (None,) * 7


def test_without_a_service_what_is_recorded_is_stale_and_of_no_known_age() -> None:
    row = only(Q07)
    assert (row.health, row.behaviour, row.quality, row.age_s) == (
        Health.WARNING,
        Behaviour.ON,
        Quality.STALE,
        None,
    )


def test_a_reading_of_a_silent_relay_keeps_its_quality_and_age() -> None:
    row = only(Q07, replace(READING, quality=Quality.STALE))
    assert (row.quality, row.age_s) == (Quality.STALE, 12)


def test_what_was_read_stands_before_what_a_person_entered() -> None:
    row = only(replace(Q07, manual=Q10.manual), READING)
    assert (row.swRev, row.quality) == ("V2.11.00", Quality.GOOD)


def test_text_of_a_device_is_escaped() -> None:
    row = only(replace(Q07, nameplate=Nameplate(swRev="1\x1b[2J", model="\u202eX")))
    assert (row.swRev, row.model) == (r"1\x1b[2J", r"\u202eX")


def test_a_row_is_plain_json() -> None:
    told = plain(ROLL[1])
    assert (told["health"], told["quality"], told["flags"], told["age_s"]) == (
        1,
        "good",
        ["firmware_changed", "storage_low"],
        12,
    )


@pytest.mark.parametrize(
    "ordered", ["Q2 Q10 Q100", "Q07 Q7 Q8", "E01 Q01", "110-1 110-2 110-10", "A A1 AB"]
)
def test_bays_stand_as_people_count(ordered: str) -> None:
    names = ordered.split()
    assert sorted(set(names), key=natural) == names


@pytest.mark.parametrize(
    ("asked", "found"),
    [
        ({}, "q2-bay q07-main1 q07-main2 q10-main1"),
        ({"text": "td-4"}, "q07-main1"),
        ({"text": "q07 MAIN"}, "q07-main1 q07-main2"),
        ({"text": "40117"}, "q07-main1 q10-main1"),
        ({"text": "duplicated"}, "q07-main1"),
        ({"text": "nothing like it"}, ""),
        ({"bay": "q07"}, "q07-main1 q07-main2"),
        ({"bay": "q0"}, ""),
        ({"flag": "storage_low"}, "q07-main1"),
        ({"flag": "storage"}, ""),
        ({"baseline": "differs"}, "q07-main1"),
        ({"baseline": "new"}, "q2-bay q07-main2 q10-main1"),
        ({"answering": False}, "q10-main1"),  # not tried yet is another thing
        ({"health": Health.OK}, "q07-main1"),
        ({"quality": Quality.MANUAL}, "q10-main1"),
        ({"trouble": "no_valid_map"}, "q10-main1"),
        ({"paused": False}, "q2-bay q07-main1 q07-main2"),
        ({"bay": "Q07", "baseline": "new"}, "q07-main2"),
    ],
)
def test_a_choice_of_rows(asked: dict[str, Any], found: str) -> None:
    assert " ".join(row.id for row in select(ROLL, **asked)) == found


def test_the_gravest_firmware_status_stands_for_the_relay() -> None:
    row = AT_WORK[1]
    assert (row.firmware_status, row.firmware_says) == (
        FirmwareStatus.WITHDRAWN,
        "approved, older than the target; boot firmware withdrawn",
    )


def test_a_component_of_which_nothing_else_is_to_be_said_is_not_named() -> None:
    alike = {name: firmware(FirmwareStatus.CURRENT) for name in ("swRev", "components.boot.swRev")}
    assert only(replace(Q07, firmware=alike)).firmware_says == "current"


def test_open_work_and_investigations_stand_with_their_relay_and_their_age() -> None:
    row = AT_WORK[1]
    assert (row.work, row.investigations, row.open_says) == (
        ("w2",),
        ("i2",),
        "w2 readings verified, test not recorded; i2 open for 3 d 4 h",
    )


@pytest.mark.parametrize(
    ("asked", "found"),
    [
        ({"firmware_status": FirmwareStatus.WITHDRAWN}, "q07-main1"),
        ({"firmware_status": FirmwareStatus.CURRENT}, ""),
        ({"something_open": True}, "q07-main1 q10-main1"),
        ({"something_open": False}, "q2-bay q07-main2"),
    ],
)
def test_a_choice_by_firmware_status_and_by_what_is_open(asked: dict[str, Any], found: str) -> None:
    assert " ".join(row.id for row in select(AT_WORK, **asked)) == found
