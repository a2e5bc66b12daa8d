"""A full picture of one relay."""

from __future__ import annotations

from dataclasses import replace

import pytest

from poller.answers.one import (
    AttributeLine,
    BaselineLine,
    FirmwareLine,
    FlagLine,
    ManualLine,
    Picture,
    StatusLine,
    picture,
)
from poller.model.canonical import adapter, plain
from poller.model.nameplate import Nameplate
from poller.model.standing import State
from poller.model.status import Quality, Status
from poller.model.work import FirmwareStatus
from tests.answers.work_world import BUSY
from tests.answers.world import NOW, Q07, READING, STATE, ago

SEEN = picture(STATE, "q07-main1", READING, NOW)
BY_HAND = picture(STATE, "q10-main1", None, NOW)


def test_the_nameplate_stands_against_the_baseline() -> None:
    lines = [(line.name, line.present, line.accepted, line.differs) for line in SEEN.attributes]
    assert lines == [
        ("vendor", "Tarn", "Tarn", False),
        ("model", "TD-40", "TD-40", False),
        ("serNum", "40117", "40117", False),
        ("swRev", "V2.11.00", "V2.10.00", True),
        ("orderCode", "TD40-A", "TD40-A", False),
        ("components.boot.swRev", "1.5", "1.4", True),
    ]


def test_the_differences_are_the_lines_that_differ() -> None:
    assert SEEN.differences == (
        AttributeLine(
            name="swRev", says="firmware", present="V2.11.00", accepted="V2.10.00", differs=True
        ),
        AttributeLine(
            name="components.boot.swRev",
            says="boot firmware",
            present="1.5",
            accepted="1.4",
            differs=True,
        ),
    )


def test_an_attribute_that_only_one_side_tells_differs() -> None:
    relay = replace(Q07, nameplate=Nameplate(swRev="V2.10.00", location="hall 2"))
    lines = picture(State(relays={"r": relay}), "r", None, NOW).differences
    found = {(line.name, line.present, line.accepted) for line in lines}
    assert ("location", "hall 2", None) in found
    assert ("vendor", None, "Tarn") in found


def test_without_a_baseline_nothing_differs() -> None:
    assert (BY_HAND.baseline, BY_HAND.differences) == (BaselineLine(word="new"), ())


def test_a_relay_of_which_nothing_is_known_does_not_differ_from_its_baseline() -> None:
    unread = picture(State(relays={"r": replace(Q07, nameplate=None)}), "r", None, NOW)
    assert (unread.baseline.word, unread.differences, unread.source) == ("accepted", (), None)


def test_who_accepted_the_baseline_when_and_why() -> None:
    assert SEEN.baseline == BaselineLine(
        word="differs", at=ago(days=30), by="J. Kral", why="first roll", reference="W-12"
    )


def test_flags_say_since_when_and_what_they_mean() -> None:
    assert SEEN.flags[1] == FlagLine(
        flag="storage_low",
        says="Storage for records is nearly full.",
        since=ago(days=2),
        age_s=2 * 86_400,
    )


def test_status_values_have_words_quality_and_age() -> None:
    lines = [(line.name, line.value, line.says, line.quality) for line in SEEN.status]
    assert lines == [
        ("health", 1, "ok", Quality.GOOD),
        ("behaviour", 3, "test", Quality.GOOD),
        ("setting_group", 2, "group 2", Quality.GOOD),
        ("free_memory_kb", None, "not plausible", Quality.BAD),
        ("stored_records", 1, "1 record", Quality.GOOD),
        ("uptime_s", 273_600, "3 d 4 h", Quality.GOOD),
        ("relay_time", "2026-03-01T11:59:57.000Z", "2026-03-01 11:59:57 UTC", Quality.GOOD),
    ]
    assert {(line.at, line.age_s) for line in SEEN.status} == {(READING.at, 12)}


def test_zero_is_a_value() -> None:
    reading = replace(READING, status=Status(stored_records=0), bad=())
    assert picture(STATE, "q07-main1", reading, NOW).status == (
        StatusLine(
            name="stored_records",
            value=0,
            says="0 records",
            quality=Quality.GOOD,
            at=READING.at,
            age_s=12,
        ),
    )


def test_a_front_panel_reading_has_its_age_and_who() -> None:
    assert (BY_HAND.source, BY_HAND.manual) == (
        "manual",
        ManualLine(
            values={"serNum": "40117", "swRev": "B", "vendor": "Fell"},
            read_at=ago(days=5),
            age_s=5 * 86_400,
            by="Ute",
        ),
    )


def test_namesakes_go_by_their_position() -> None:
    assert SEEN.duplicates == ("Q10 main 1",)


def test_what_else_is_known() -> None:
    assert (SEEN.address, SEEN.map, SEEN.troubles, SEEN.findings, SEEN.since) == (
        "127.1.0.7:502/255",
        "tarn",
        ("serial_duplicated",),
        ("block_split",),
        ago(hours=2),
    )


def test_text_of_devices_is_escaped() -> None:
    relay = replace(Q07, nameplate=Nameplate(swRev="1\x07"))
    lines = picture(State(relays={"r": relay}), "r", None, NOW).attributes
    assert r"1\x07" in {line.present for line in lines}


def test_a_relay_that_was_never_listed_is_not_known() -> None:
    with pytest.raises(KeyError):
        picture(STATE, "q99", None, NOW)


def test_a_picture_has_a_schema_that_names_all_it_tells() -> None:
    told = plain(SEEN)
    schema = adapter(Picture).json_schema(mode="serialization")
    assert set(told) == set(schema["properties"])


AT_WORK = picture(BUSY, "q07-main1", READING, NOW)


def test_each_firmware_stands_against_the_approved_list_the_own_one_first() -> None:
    assert [line.name for line in AT_WORK.firmware] == ["swRev", "components.boot.swRev"]
    assert AT_WORK.firmware[1] == FirmwareLine(
        name="components.boot.swRev",
        says="boot firmware",
        status=FirmwareStatus.WITHDRAWN,
        status_says="withdrawn",
        version="1.5",
        target="V2.12.00",
        rule="tarn",
        since=ago(days=1),
    )


def test_open_work_and_investigations_are_part_of_the_picture() -> None:
    work = [(row.id, row.says) for row in AT_WORK.work]
    asked = [(row.id, row.age_s) for row in AT_WORK.investigations]
    assert (work, asked) == (
        [("w2", "readings verified, test not recorded")],
        [("i2", (3 * 24 + 4) * 3_600)],
    )
