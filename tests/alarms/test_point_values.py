"""What points say: alarms by their letters, and the values of relays and the station."""

from __future__ import annotations

import csv
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from poller.alarms import point_values
from poller.alarms.point_values import (
    FIRMWARE,
    Communication,
    RelayValue,
    StationValue,
    alarms_on,
    values,
)
from poller.alarms.points import STATION, alarm_number, value_number
from poller.answers.work_words import GRAVEST
from poller.model.alarms import Alarm, AlarmState, Audience, Hold, Inhibit, Inhibits, Priority
from poller.model.standing import Firmware, Relay, State
from poller.model.work import FirmwareStatus, Plan, Work, WorkKind, WorkState
from tests.alarms.test_points import T0, after, entry, goes_on, site

STATES = Path(__file__).parents[1] / "checks" / "alarm_states.csv"
TWO = site(("q01", "q02"), (entry("silent", "silent"), entry("flag_left", "flag_left")))


def alarm(
    name: str = "q01.silent",
    letter: str = "B",
    audience: Audience = Audience.OPERATOR_ALARM,
    **more: Any,
) -> Alarm:
    subject, which = name.split(".")[:2]
    known: dict[str, Any] = {"subject": subject, "entry": which, "state": AlarmState(letter)}
    return Alarm(id=name, audience=(audience,), since=T0, **(known | more))


def state(*alarms: Alarm, **more: Any) -> State:
    return replace(goes_on(State(), TWO), alarms={one.id: one for one in alarms}, **more)


def relay_of(one: State, name: str = "q01", **new: Any) -> State:
    return replace(one, relays={**one.relays, name: replace(one.relays[name], **new)})


def value(one: State, place: RelayValue, relay: str = "q01") -> int:
    number = value_number(one.points, relay, place)
    assert number is not None
    return values(one).get(number, 0)


def total(one: State, place: StationValue) -> int:
    number = value_number(one.points, STATION, place)
    assert number is not None
    return values(one).get(number, 0)


def bit(one: State, name: str = "silent", relay: str = "q01") -> bool:
    return alarm_number(one.points, relay, name) in alarms_on(one)


# Alarms.


def letters() -> list[tuple[str, bool]]:
    """ISA-18.2 and IEC 62682, secondary: the letters at which the condition stands and is told."""
    with STATES.open(newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["edition"].startswith("2016")]
    return [
        (row["letter"], row["condition"] == "alarm" and row["annunciated"] == "yes") for row in rows
    ]


HELD = {
    "E": Inhibits(shelved=Hold(since=T0, why="tested", until=T0 + timedelta(hours=1))),
    "F": Inhibits(suppressed=Hold(since=T0, why="w1")),
    "G": Inhibits(out_of_service=Hold(since=T0, why="rebuilt")),
}


@pytest.mark.parametrize(("letter", "on"), letters())
def test_a_point_is_1_while_the_condition_is_there_and_is_told(letter: str, on: bool) -> None:
    held = HELD.get(letter, Inhibits())
    one = alarm(letter="B" if letter in HELD else letter, inhibits=held)
    assert one.letter == letter
    assert bit(state(one)) == on


@pytest.mark.parametrize(
    ("audience", "on"), [(one, one is Audience.OPERATOR_ALARM) for one in Audience]
)
def test_only_what_is_for_the_operator_is_told(audience: Audience, on: bool) -> None:
    assert bit(state(alarm(audience=audience))) == on


def test_several_alarms_of_one_entry_are_one_point() -> None:
    over = alarm("q01.flag_left.a", "A")
    assert bit(state(over, alarm("q01.flag_left.b")), "flag_left")
    assert not bit(state(over, alarm("q01.flag_left.b", "D")), "flag_left")


def test_an_alarm_that_has_no_point_is_left_out() -> None:
    assert alarms_on(state(alarm("q01.no_such_entry"), alarm("q99.silent"))) == set()


# Values of a relay.


@pytest.mark.parametrize(
    ("new", "code"),
    [
        ({"answering": True}, Communication.ANSWERS),
        ({"answering": False}, Communication.SILENT),
        ({"answering": None}, Communication.NOT_ASKED),
        ({"answering": True, "paused": True}, Communication.RESTS),
        ({"answering": True, "listed": False}, Communication.NO_RELAY),
    ],
)
def test_whether_a_relay_is_read(new: dict[str, Any], code: Communication) -> None:
    one = relay_of(state(), **new)
    assert value(one, RelayValue.COMMUNICATION) == code
    assert total(one, StationValue.NOT_READ) == (code not in (0, 1)) + 1  # and q02, never asked


def test_a_relay_that_is_worked_on_is_not_read() -> None:
    plan = Plan(
        relay="q01",
        kind=WorkKind.UPDATE,
        expects={},
        before={},
        start=T0,
        end=T0 + timedelta(hours=1),
        zone="UTC",
    )
    work = Work(id="w1", plan=plan, state=WorkState.UNDER_WAY, since=T0, by=None, entered_at=T0)
    one = relay_of(state(works={"w1": work}), answering=True)
    assert value(one, RelayValue.COMMUNICATION) == Communication.RESTS


def test_a_relay_that_is_listed_no_more_says_nothing() -> None:
    one = relay_of(state(alarm("q01.silent")), listed=False)
    assert [value(one, place) for place in RelayValue] == [0] * len(RelayValue)


def test_the_highest_priority_that_stands() -> None:
    some = (alarm("q01.silent", priority=Priority.MEDIUM), alarm("q01.flag_left.a"))
    over = alarm("q01.flag_left.b", "D", priority=Priority.HIGH)
    assert value(state(*some, over), RelayValue.PRIORITY) == 2
    assert value(state(over), RelayValue.PRIORITY) == 0


def test_how_many_stand_and_how_many_are_not_acknowledged() -> None:
    letters = {"q01.silent": "B", "q01.flag_left.a": "C", "q01.flag_left.b": "D"}
    one = state(*(alarm(name, letter) for name, letter in letters.items()))
    assert value(one, RelayValue.STANDING) == 2  # B, C
    assert value(one, RelayValue.UNACKNOWLEDGED) == 2  # B, D
    assert value(one, RelayValue.STANDING, "q02") == 0


def firmware(*found: FirmwareStatus) -> dict[str, Firmware]:
    return {
        f"components.{number}.swRev": Firmware(
            status=status, version=None, target=None, rule=None, since=T0
        )
        for number, status in enumerate(found)
    }


def test_the_gravest_firmware_status_is_told() -> None:
    some = firmware(FirmwareStatus.CURRENT, FirmwareStatus.WITHDRAWN, FirmwareStatus.NO_RULE)
    one = relay_of(state(), firmware=some)
    assert value(one, RelayValue.FIRMWARE) == FIRMWARE[FirmwareStatus.WITHDRAWN]
    assert value(one, RelayValue.FIRMWARE, "q02") == 0


def test_firmware_codes_rise_as_a_person_is_told_of_the_gravest_first() -> None:
    assert sorted(FIRMWARE, key=FIRMWARE.__getitem__, reverse=True) == list(GRAVEST)


# Values of the station.


def test_alarms_of_the_station_are_counted_by_priority() -> None:
    one = state(
        alarm("q01.silent", priority=Priority.HIGH),
        alarm("q02.silent", "C", priority=Priority.LOW),
        alarm("network.many_silent", "D", subject="", priority=Priority.LOW),
        alarm("poller.disk_low", subject="", priority=Priority.LOW),
    )
    places = ("HIGH", "MEDIUM", "LOW", "UNACKNOWLEDGED")
    assert [total(one, StationValue[place]) for place in places] == [1, 0, 2, 3]


def test_the_poller_tells_of_itself() -> None:
    one = replace(state(), seq=0x1_2345)
    assert total(one, StationValue.JOURNAL) == 0x2345
    assert total(one, StationValue.RELAYS) == 2
    assert total(one, StationValue.POLLER) == point_values.RUNNING
    assert total(replace(one, running=False), StationValue.POLLER) == point_values.NOT_RUNNING


def test_a_count_that_no_register_holds_stays_at_the_largest() -> None:
    relays = {f"r{n}": Relay(bay="", function="", address="") for n in range(0x1_0001)}
    assert total(replace(state(), relays=relays), StationValue.RELAYS) == 0xFFFF


# Source: none; written down here once, so that nobody changes what front ends are engineered by.
CODES = """
relay   0 COMMUNICATION  1 PRIORITY  2 STANDING  3 UNACKNOWLEDGED  4 FIRMWARE
station 0 HEARTBEAT  1 READING_AGE  2 POLLER  3 JOURNAL  4 RELAYS  5 NOT_READ
station 6 HIGH  7 MEDIUM  8 LOW  9 UNACKNOWLEDGED
communication 0 NO_RELAY  1 ANSWERS  2 SILENT  3 NOT_ASKED  4 RESTS
firmware 1 CURRENT  2 NO_RULE  3 NOT_READ  4 APPROVED_OLDER  5 NOT_COMPARABLE
firmware 6 NEWER_THAN_TARGET  7 NOT_APPROVED  8 WITHDRAWN
priority 1 LOW  2 MEDIUM  3 HIGH
"""


def test_places_and_codes_are_as_front_ends_were_engineered_by() -> None:
    told: dict[tuple[str, str], int] = {}
    for line in CODES.split("\n"):
        kind, *words = line.split() or [""]
        told |= {(kind, name): int(code) for code, name in zip(*[iter(words)] * 2, strict=True)}
    now = {
        **{("relay", one.name): one.value for one in RelayValue},
        **{("station", one.name): one.value for one in StationValue},
        **{("communication", one.name): one.value for one in Communication},
        **{("firmware", one.name): code for one, code in FIRMWARE.items()},
        **{("priority", one.name): code for one, code in point_values.PRIORITY.items()},
    }
    assert now == told


def test_no_inhibit_is_forgotten() -> None:
    assert {one.letter for one in (alarm(inhibits=held) for held in HELD.values())} == set("EFG")
    assert len(HELD) == len(Inhibit)


def test_blocks_of_two_relays_do_not_mix() -> None:
    one = state(alarm("q02.silent"))
    assert (bit(one, relay="q01"), bit(one, relay="q02")) == (False, True)
    assert after(TWO) == one.points
