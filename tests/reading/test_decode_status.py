"""The status under a map: words, numbers, times and flags, and the values that are bad."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest

from poller.model.status import Behaviour, Health, Status
from poller.reading.decode import Image, StatusRead, decode_status, image
from poller.reading.read_plan import compile_map
from tests.simulator.layouts import layout

LIVE = {"kind": "live", "cleared_by": "itself", "says": "as the bit says"}
ALL = [
    {"table": "holding", "first": 0, "last": 99},
    {"table": "discrete", "first": 0, "last": 99},
    {"table": "coil", "first": 0, "last": 99},
]
HEALTH = {"names": {0: "ok", 1: "warning", 2: "alarm"}}
BEHAVIOUR = {"names": {1: "on", 2: "blocked", 3: "test", 4: "test_blocked", 5: "off"}}


def at(address: int, kind: str, **keys: Any) -> dict[str, Any]:
    return {"table": "holding", "address": address, "type": kind, **keys}


def told(
    fields: dict[str, Any],
    *registers: int,
    flags: dict[str, Any] | None = None,
    discrete: tuple[int, ...] = (),
) -> StatusRead:
    compiled = compile_map(layout(status=fields, flags=flags or {}, ranges=ALL))
    seen: dict[Any, int] = {("holding", n): word for n, word in enumerate(registers)}
    seen |= {("discrete", n): bit for n, bit in enumerate(discrete)}
    return decode_status(compiled, Image(words=seen, objects={}))


@pytest.mark.parametrize(
    ("code", "health"), [(0, Health.OK), (1, Health.WARNING), (2, Health.ALARM)]
)
def test_health(code: int, health: Health) -> None:
    assert told({"health": at(0, "enum", **HEALTH)}, code).status == Status(health=health)


@pytest.mark.parametrize("behaviour", Behaviour)
def test_behaviour(behaviour: Behaviour) -> None:
    # the numbers of BehaviourModeKind, IEC 61850-7-4 NSD 2007B5
    fields = {"behaviour": at(0, "enum", **BEHAVIOUR)}
    assert told(fields, int(behaviour)).status == Status(behaviour=behaviour)


def test_numbers_and_times() -> None:
    fields = {
        "setting_group": at(0, "u16"),
        "free_memory_kb": at(1, "u16", scale=64),
        "stored_records": at(2, "u16"),
        "uptime_s": at(3, "u32", word_order="low_first"),
        "relay_time": at(5, "epoch_s"),
        "changed_at": at(7, "epoch_s"),
    }
    read = told(fields, 2, 100, 12, 5, 1, 0x6773, 0x9A20, 0, 0)
    assert read.status == Status(
        setting_group=2,
        free_memory_kb=6_400,
        stored_records=12,
        uptime_s=65_541,
        relay_time=datetime(2024, 12, 31, 7, 15, 44, tzinfo=UTC),
    )
    assert read.changed_at is None  # zero: never
    assert read.bad == ()


def test_a_setting_group_told_by_an_enumeration() -> None:
    fields = {"setting_group": at(0, "enum", names={0x10: "1", 0x20: "2"})}
    assert told(fields, 0x20).status.setting_group == 2


BAD = """
health          ; enum   ; 0009      ; code 9 has no name in the map
free_memory_kb  ; i16    ; FFFF      ; below zero or too big
stored_records  ; f32    ; 7FC0 0000 ; not a number, or infinite
"""


@pytest.mark.parametrize("line", BAD.strip().splitlines())
def test_a_value_that_cannot_be_is_bad_and_the_others_stand(line: str) -> None:
    name, kind, raw, reason = (part.strip() for part in line.split(";"))
    keys = HEALTH if kind == "enum" else {}
    fields = {name: at(1, kind, **keys), "setting_group": at(0, "u16")}
    read = told(fields, 3, *(int(word, 16) for word in raw.split()))
    assert read.status == Status(setting_group=3)
    assert read.bad == (name,)
    assert read.implausible[0].reason == reason


# Flags.

MEANINGS = {
    "storage_low": LIVE,
    "settings_changed": LIVE | {"active": "zero"},
    "relay_failure": LIVE,
}


def flags(source: list[dict[str, Any]], *registers: int, discrete: tuple[int, ...] = ()) -> Any:
    named = {name for one in source for name in names_of(one)}
    meanings = {name: MEANINGS[name] for name in named}
    return told({"flags": source}, *registers, flags=meanings, discrete=discrete)


def names_of(source: dict[str, Any]) -> set[str]:
    if "flag" in source:
        return {source["flag"]}
    if "bits" in source:
        return set(source["bits"].values())
    return {name for names in source["codes"].values() for name in names}


BITS = at(
    0, "bits", registers=2, bits={0: "storage_low", 15: "settings_changed", 17: "relay_failure"}
)


@pytest.mark.parametrize(
    ("first", "second", "standing"),
    [
        (0x0000, 0x0000, {"settings_changed"}),  # its polarity: zero stands
        (0x8000, 0x0000, set()),
        (0x8001, 0x0000, {"storage_low"}),
        (0x8000, 0x0002, {"relay_failure"}),  # bit 17: the second register
        (0x8000, 0x0001, set()),
    ],
)
def test_bits_with_their_polarity(first: int, second: int, standing: set[str]) -> None:
    read = flags([BITS], first, second)
    assert read.status.flags == tuple((name, name in standing) for name in sorted(names_of(BITS)))


CODES = at(0, "codes", codes={0: [], 1: ["storage_low"], 2: ["storage_low", "relay_failure"]})


@pytest.mark.parametrize(
    ("code", "standing"),
    [(0, set()), (1, {"storage_low"}), (2, {"storage_low", "relay_failure"})],
)
def test_codes(code: int, standing: set[str]) -> None:
    read = flags([CODES], code)
    assert read.status.flags == tuple((n, n in standing) for n in sorted(names_of(CODES)))


def test_a_code_names_what_stands_whatever_its_polarity() -> None:
    source = at(0, "codes", codes={0: [], 1: ["settings_changed"]})
    assert flags([source], 1).status.flags == (("settings_changed", True),)


def test_a_code_without_a_meaning_tells_nothing_of_its_flags() -> None:
    read = flags([CODES, {**at(1, "bool", bit=0), "flag": "settings_changed"}], 7, 0)
    assert read.status.flags == (("settings_changed", True),)
    assert read.bad == ("flags",)
    assert read.implausible[0].reason == "code 7 stands for nothing in the map"


def test_a_discrete_input_and_a_bit_of_a_register() -> None:
    source = [
        {"table": "discrete", "address": 1, "type": "bool", "flag": "relay_failure"},
        {**at(0, "bool", bit=9), "flag": "storage_low"},
    ]
    read = flags(source, 0x0200, discrete=(0, 1))
    assert read.status.flags == (("relay_failure", True), ("storage_low", True))


def test_flags_of_a_refused_block_are_left_out_and_bad() -> None:
    read = flags([BITS])
    assert read.status.flags == ()
    assert read.bad == ("flags",)


def test_an_image_holds_what_each_answered_request_read() -> None:
    fields = {
        "free_memory_kb": at(0, "u16"),
        "stored_records": at(5, "u16"),
        "flags": [{"table": "coil", "address": 3, "type": "bool", "flag": "storage_low"}],
    }
    pass_ = compile_map(layout(status=fields, flags={"storage_low": LIVE}, ranges=ALL)).status
    replies = {
        ("coil", 3): bytes.fromhex("01 01 01"),
        ("holding", 0): bytes.fromhex("03 02 00 07"),
        ("holding", 5): None,
    }
    read = [replies[request.table, request.address] for request in pass_.requests]  # type: ignore[index]
    assert image(pass_, read).words == {("coil", 3): 1, ("holding", 0): 7}
