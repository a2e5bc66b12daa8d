"""Every firmware against the approved list: rows, what is asked for, and how many of each."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from poller.answers.firmware import FirmwareRow, counted, firmware_rows, select
from poller.model.standing import Firmware, State
from poller.model.work import FirmwareStatus
from tests.answers.world import NOW, Q07, STATE, ago

JUDGED = replace(
    Q07,
    firmware={
        "swRev": Firmware(
            status=FirmwareStatus.CURRENT,
            version="V2.11.00",
            target="2.11",
            rule="tarn",
            since=ago(days=1),
        ),
        "components.boot.swRev": Firmware(
            status=FirmwareStatus.WITHDRAWN,
            version="1.5",
            target="1.6",
            rule="tarn-boot",
            since=ago(seconds=90.5),
        ),
        # told by a box that is no longer there
        "components.logic.swRev": Firmware(
            status=FirmwareStatus.NOT_READ, version=None, target=None, rule=None, since=NOW
        ),
    },
)
WORLD = replace(STATE, relays=STATE.relays | {"q07-main1": JUDGED})
ROWS = firmware_rows(WORLD, NOW)


def of(relay: str, firmware: str = "device") -> FirmwareRow:
    return next(row for row in ROWS if (row.id, row.firmware) == (relay, firmware))


def test_rows_go_by_bay_and_function_the_device_first() -> None:
    assert [(row.id, row.firmware) for row in ROWS] == [
        ("q2-bay", "device"),
        ("q07-main1", "device"),
        ("q07-main1", "boot"),
        ("q07-main2", "device"),
        ("q10-main1", "device"),
    ]


def test_a_row_says_what_runs_what_is_to_run_and_since_when() -> None:
    assert of("q07-main1", "boot") == FirmwareRow(
        id="q07-main1",
        bay="Q07",
        function="main 1",
        firmware="boot",
        version="1.5",
        target="1.6",
        status=FirmwareStatus.WITHDRAWN,
        rule="tarn-boot",
        well=False,
        age_s=90,
    )


@pytest.mark.parametrize(
    ("relay", "status"),
    [("q07-main2", FirmwareStatus.NOT_READ), ("q10-main1", FirmwareStatus.NO_RULE)],
    ids=["never read", "entered by hand, and no rule"],
)
def test_a_relay_that_the_journal_does_not_judge_has_a_row(
    relay: str, status: FirmwareStatus
) -> None:
    row = of(relay)
    assert (row.status, row.target, row.rule, row.well, row.age_s) == (
        status,
        None,
        None,
        False,
        None,
    )


@pytest.mark.parametrize("status", FirmwareStatus)
def test_only_current_and_older_approved_versions_are_well(status: FirmwareStatus) -> None:
    one = replace(JUDGED.firmware["swRev"], status=status)
    state = State(relays={"q07": replace(JUDGED, firmware={"swRev": one})})
    row = next(row for row in firmware_rows(state, NOW) if row.firmware == "device")
    assert row.well == (status in ("current", "approved_older"))


def test_text_of_a_relay_can_not_move_a_cursor() -> None:
    hostile = replace(JUDGED, nameplate=replace(Q07.nameplate, swRev="V1\x1b[2J"))  # type: ignore[type-var]
    [row] = [
        row for row in firmware_rows(State(relays={"q": hostile}), NOW) if row.firmware == "device"
    ]
    assert row.version == "V1\\x1b[2J"


@pytest.mark.parametrize(
    ("asked", "found"),
    [
        ({}, 5),
        ({"bay": "q07"}, 3),
        ({"status": FirmwareStatus.WITHDRAWN}, 1),
        ({"rule": "tarn"}, 1),
        ({"rule": "tarn", "status": FirmwareStatus.WITHDRAWN}, 0),
    ],
)
def test_rows_are_chosen(asked: dict[str, Any], found: int) -> None:
    assert len(select(ROWS, **asked)) == found


def test_statuses_are_counted_in_their_own_order() -> None:
    assert list(counted(ROWS).items()) == [
        (FirmwareStatus.CURRENT, 1),
        (FirmwareStatus.WITHDRAWN, 1),
        (FirmwareStatus.NO_RULE, 1),
        (FirmwareStatus.NOT_READ, 2),
    ]
