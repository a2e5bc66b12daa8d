"""A relay and its alarms as metrics; quality codes after Sparkplug 3.0.0, chapter 6.4.10."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from poller.model.alarms import Alarm, AlarmState, Audience, Hold, Inhibits, Priority
from poller.model.nameplate import Component, Nameplate
from poller.model.standing import Firmware, Flag, Manual, Relay
from poller.model.status import Behaviour, Health, Quality
from poller.model.work import FirmwareStatus
from poller.publishing.projections import Source
from poller.publishing.sparkplug import metrics as make
from poller.publishing.sparkplug.metrics import Group
from poller.publishing.sparkplug.payload import DataType
from poller.publishing.sparkplug.payload import Quality as Code
from poller.site.register_map import RegisterMap
from poller.site.settings import Site
from poller.site.shipped_alarms import catalogue_of
from tests.publishing.world import PLATE, Q07, T0, reading, site

LATER = T0 + timedelta(minutes=5)
MAP = RegisterMap.model_validate(
    {
        "format": 1,
        "map": "tarn",
        "family": "Tarn",
        "numbering": "zero_based",
        "version_scheme": {"kind": "dotted"},
        "ranges": [{"table": "holding", "first": 0, "last": 99}],
        "identity": {"swRev": {"table": "holding", "address": 0, "type": "u16"}},
        "components": {"boot": {"swRev": {"table": "holding", "address": 1, "type": "u16"}}},
        "status": {
            "health": {
                "table": "holding",
                "address": 2,
                "type": "enum",
                "names": {1: "ok", 2: "warning", 3: "alarm"},
            },
            "flags": [{"table": "holding", "address": 3, "type": "bits", "bits": {0: "odd"}}],
        },
        "flags": {"odd": {"kind": "live", "cleared_by": "itself", "says": "something is odd"}},
    }
)


def of_site() -> Site:
    return replace(site(), maps={"tarn": MAP})


def source() -> Source:
    return Source(site=of_site(), seq=9)


def relay(**more: Any) -> Relay:
    known = {"bay": "q07", "function": "main 1", "address": "127.1.0.1:502/255"}
    return Relay(**known, answering=True, answering_since=T0, **more)


def told(group: Group) -> dict[str, tuple[DataType, Any, Any, Code | None]]:
    """Name to type, value, when, quality."""
    return {one.name: (one.type, one.value, one.at, one.quality) for one in group.metrics}


# The nameplate.


def test_a_nameplate_that_was_read() -> None:
    plate = replace(PLATE, components=(Component(name="boot", swRev="1.4"),))
    found = told(make.nameplate(source(), Q07, relay(nameplate=plate, nameplate_since=LATER)))
    assert found["Nameplate/swRev"] == (DataType.STRING, "V2.10.00", LATER, Code.GOOD)
    assert found["Nameplate/hwRev"] == (DataType.STRING, None, LATER, Code.GOOD)
    assert found["Nameplate/components/boot/swRev"] == (DataType.STRING, "1.4", LATER, Code.GOOD)
    assert found["Position/bay"] == (DataType.STRING, "q07", None, None)
    assert found["Nameplate/baseline"] == (DataType.STRING, "new", None, None)


QUALITIES = {
    "never read": ({}, None, None),
    "read": ({"nameplate": PLATE, "nameplate_since": T0}, "V2.10.00", Code.GOOD),
    "silent since": (
        {"nameplate": PLATE, "nameplate_since": T0, "answering": False},
        "V2.10.00",
        Code.STALE,
    ),
    "read by a person": (
        {"manual": Manual(values={"swRev": "7"}, read_at=LATER, by="J. Kral")},
        "7",
        Code.STALE,
    ),
}


@pytest.mark.parametrize("case", QUALITIES)
def test_how_sure_a_nameplate_is(case: str) -> None:
    known, value, code = QUALITIES[case]
    found = told(make.nameplate(source(), Q07, replace(relay(), **known)))
    assert (found["Nameplate/swRev"][1], found["Nameplate/swRev"][3]) == (value, code)


def test_components_of_the_map_are_there_before_they_were_read() -> None:
    found = told(make.nameplate(source(), Q07, relay(map="tarn")))
    assert found["Nameplate/components/boot/swRev"][1] is None


# Status.


def test_values_that_were_read() -> None:
    now = reading(at_s=9, uptime_s=14, free_memory_kb=300, setting_group=2, relay_time=LATER)
    found = told(make.status(source(), Q07, relay(), now))
    at = now.at
    assert found["Status/health"] == (DataType.INT32, Health.OK, at, Code.GOOD)
    assert found["Status/behaviour"] == (DataType.INT32, Behaviour.ON, at, Code.GOOD)
    assert found["Status/setting_group"] == (DataType.INT64, 2, at, Code.GOOD)
    assert found["Status/free_memory_kb"] == (DataType.INT64, 300, at, Code.GOOD)
    assert found["Status/uptime_s"] == (DataType.INT64, 14, at, Code.GOOD)
    assert found["Status/relay_time"] == (DataType.DATETIME, LATER, at, Code.GOOD)
    assert found["Status/stored_records"] == (DataType.INT64, None, None, None)
    assert found["Status/answering"] == (DataType.BOOLEAN, True, T0, None)
    assert found["Status/paused"] == (DataType.BOOLEAN, False, None, None)


def test_a_value_that_can_not_be_one_is_null_and_bad() -> None:
    now = replace(reading(), bad=("free_memory_kb",))
    found = told(make.status(source(), Q07, relay(), now))
    assert found["Status/free_memory_kb"] == (DataType.INT64, None, T0, Code.BAD)


@pytest.mark.parametrize("value", [2**63, -(2**64), 10**30])
def test_a_number_past_64_bits_is_none(value: int) -> None:
    found = told(make.status(source(), Q07, relay(), reading(uptime_s=value)))
    assert found["Status/uptime_s"] == (DataType.INT64, None, T0, Code.BAD)


def test_what_is_known_from_before_the_start_is_stale() -> None:
    found = told(make.status(source(), Q07, relay(health=Health.WARNING), None))
    assert found["Status/health"] == (DataType.INT32, Health.WARNING, None, Code.STALE)


def test_a_flag_stands_or_not_or_is_not_known() -> None:
    flags = {"odd": Flag(says="something is odd", since=LATER)}
    of_map = relay(map="tarn")
    name = "Status/flag/odd"
    for known, now, expected in (
        (replace(of_map, flags=flags), reading(), (True, LATER, Code.GOOD)),
        (of_map, reading(at_s=9), (False, T0 + timedelta(seconds=9), Code.GOOD)),
        (of_map, replace(reading(), bad=("flags",)), (None, T0, Code.BAD)),
        (of_map, None, (None, None, None)),
    ):
        assert told(make.status(source(), Q07, known, now))[name][1:] == expected


def test_what_a_flag_means_and_units_stand_in_the_birth() -> None:
    group = make.status(source(), Q07, relay(map="tarn"), reading())
    facts = {one.name: dict(one.facts) for one in group.metrics}
    assert facts["Status/flag/odd"] == {"Says": "something is odd"}
    assert facts["Status/uptime_s"] == {"Unit": "s"}
    assert facts["Status/health"] == {"Values": "1 ok, 2 warning, 3 alarm"}


def test_a_clock_that_ticks_tells_nothing_new() -> None:
    before = make.status(source(), Q07, relay(), reading(uptime_s=5))
    assert make.status(source(), Q07, relay(), reading(at_s=9, uptime_s=14), before) is before
    now = make.status(source(), Q07, relay(), reading(uptime_s=14, setting_group=2), before)
    assert told(now)["Status/uptime_s"][1] == 14


# Firmware.


def test_firmware_against_the_approved_list() -> None:
    judged = Firmware(
        status=FirmwareStatus.APPROVED_OLDER, version="1.0", target="2.0", rule="td", since=LATER
    )
    group = make.firmware(source(), Q07, relay(map="tarn", firmware={"swRev": judged}))
    found = {name: (value, at) for name, (_, value, at, _) in told(group).items()}
    assert found["Firmware/swRev/status"] == ("approved_older", LATER)
    assert found["Firmware/swRev/target"] == ("2.0", LATER)
    assert found["Firmware/components/boot/swRev/status"] == (None, None)


# Alarms.

ENTRIES = tuple(entry for entry in catalogue_of(of_site()).entries if entry.for_operator)


def alarm(state: AlarmState, name: str = "silent", detail: str = "", **more: Any) -> Alarm:
    given: dict[str, Any] = {
        "id": f"{Q07}.{name}{detail}",
        "entry": name,
        "subject": Q07,
        "audience": (Audience.OPERATOR_ALARM,),
        "priority": Priority.LOW,
        "since": LATER,
        "says": f"it is {state}",
        **more,
    }
    return Alarm(state=state, **given)


def shown(*alarms: Alarm, name: str = "silent") -> tuple[Any, Any, Any]:
    found = told(make.alarms(ENTRIES, alarms))
    return tuple(found[f"Alarm/{name}/{leaf}"][1] for leaf in ("state", "active", "says"))  # type: ignore[return-value]


SHELVED = Inhibits(shelved=Hold(since=T0, why="later"))
STATES = {
    "none": ((), ("A", False, None)),
    "came": ((alarm(AlarmState.UNACKNOWLEDGED),), ("B", True, "it is B")),
    "acknowledged": ((alarm(AlarmState.ACKNOWLEDGED),), ("C", True, "it is C")),
    "went": ((alarm(AlarmState.RETURNED),), ("D", False, "it is D")),
    "over": ((alarm(AlarmState.NORMAL),), ("A", False, None)),
    "shelved": ((alarm(AlarmState.UNACKNOWLEDGED, inhibits=SHELVED),), ("E", True, "it is B")),
    "a notice": (
        (alarm(AlarmState.UNACKNOWLEDGED, audience=(Audience.ENGINEERING_NOTICE,)),),
        ("A", False, None),
    ),
    "the gravest of several": (
        (
            alarm(AlarmState.RETURNED, detail=".boot"),
            alarm(AlarmState.UNACKNOWLEDGED, detail=".card"),
            alarm(AlarmState.UNACKNOWLEDGED, detail=".z", inhibits=SHELVED),
        ),
        ("B", True, "it is B"),
    ),
}


@pytest.mark.parametrize("case", STATES)
def test_an_alarm_as_it_stands(case: str) -> None:
    alarms, expected = STATES[case]
    assert shown(*alarms) == expected


def test_every_entry_for_the_operator_has_its_metrics_and_others_have_none() -> None:
    names = {name.split("/")[1] for name in told(make.alarms(ENTRIES, ()))}
    assert names == {entry.id.replace(".", "-") for entry in ENTRIES}
    assert "flag-firmware_changed" in names


# Names.

NAMES = {
    ("Nameplate", "components.boot.swRev"): "Nameplate/components/boot/swRev",
    ("Nameplate", "components.a/b #+.swRev"): "Nameplate/components/a_b___/swRev",
    ("Nameplate", "components.\u202e\x00.swRev"): "Nameplate/components/__/swRev",
    ("Nameplate", f"components.{'x' * 99}.swRev"): f"Nameplate/components/{'x' * 64}/swRev",
}


@pytest.mark.parametrize("given", NAMES)
def test_names_have_nothing_that_hosts_stumble_over(given: tuple[str, str]) -> None:
    assert make.flat_name(*given) == NAMES[given]


def test_of_names_that_differ_in_case_only_the_first_stays() -> None:
    parts = tuple(Component(name=name, swRev="1") for name in ("BOOT", "boot"))
    plate = Nameplate(components=parts)
    found = told(make.nameplate(source(), Q07, relay(nameplate=plate, nameplate_since=T0)))
    assert [name for name in found if name.casefold().endswith("boot/swrev")] == [
        "Nameplate/components/BOOT/swRev"
    ]


def test_every_quality_has_a_code() -> None:
    assert make.QUALITIES.keys() == {*Quality, None}
