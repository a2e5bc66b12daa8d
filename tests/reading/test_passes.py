"""What a compiled map offers the poll: its passes, the fast path, the uptime, and the split."""

from __future__ import annotations

import struct
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from poller.reading.frames import read
from poller.reading.read_plan import Pass, compile_map
from tests.simulator.layouts import LIVE, layout

IDENTITY = {"swRev": {"table": "holding", "address": 0, "type": "ascii", "registers": 4}}


def at(address: int, kind: str = "u16", **more: Any) -> dict[str, Any]:
    return {"table": "holding", "address": address, "type": kind, **more}


def flag(address: int, bit: int) -> dict[str, Any]:
    return at(address, "bool", bit=bit, flag="storage_low")


def status_pass(fields: dict[str, Any], **more: Any) -> Pass:
    flags = {"storage_low": LIVE} if "flags" in fields else {}
    return compile_map(layout(status=fields, flags=flags, **more)).status


def reply(*values: int) -> bytes:
    return bytes([3, 2 * len(values)]) + struct.pack(f">{len(values)}H", *values)


def test_each_pass_reads_its_own_part_of_the_map() -> None:
    compiled = compile_map(
        layout(
            identity=IDENTITY,
            nameplate={"serNum": at(10, "u32")},
            components={"boot": {"swRev": at(12)}},
            status={"free_memory_kb": at(20)},
        )
    )
    assert compiled.identity.requests == (read("holding", 0, 4),)
    assert compiled.nameplate.requests == (read("holding", 10, 3),)
    assert compiled.status.requests == (read("holding", 20, 1),)
    assert compiled.covers == {"swRev", "serNum", "components.boot.swRev"}


def test_identification_objects_are_wanted_by_the_pass_that_shows_them() -> None:
    compiled = compile_map(
        layout(
            identification="regular",
            identity={"swRev": {"object": 2}},
            nameplate={"model": {"object": 5}},
        )
    )
    assert compiled.identity.identification == ("regular", frozenset({2}))
    assert compiled.nameplate.identification == ("regular", frozenset({5}))
    assert compiled.status.identification is None


def test_compiling_twice_gives_equal_passes() -> None:
    one = layout(status={"free_memory_kb": at(20), "uptime_s": at(21, "u32", ticking=True)})
    assert compile_map(one) == compile_map(one)


# The fast path.


def test_without_ticking_fields_the_whole_reply_is_compared() -> None:
    pass_, pdu = status_pass({"free_memory_kb": at(20)}), reply(7)
    assert pass_.still(0, pdu) == (pdu,)


@given(
    st.lists(st.integers(0, 0xFFFF), min_size=4, max_size=4),
    st.lists(st.integers(0, 0xFFFF), min_size=4, max_size=4),
)
def test_a_reply_is_still_when_only_what_ticks_differs(one: list[int], other: list[int]) -> None:
    pass_ = status_pass(
        {
            "free_memory_kb": at(20),
            "uptime_s": at(21, "u32", ticking=True),
            "stored_records": at(23),
        }
    )
    same = (one[0], one[3]) == (other[0], other[3])
    assert (pass_.still(0, reply(*one)) == pass_.still(0, reply(*other))) is same


@pytest.mark.parametrize("length", [1, 2, 4, 7, 9])
def test_a_reply_of_another_length_is_never_still(length: int) -> None:
    """Not even where all that it lacks, or has too much, ticks."""
    pass_ = status_pass({"free_memory_kb": at(20), "uptime_s": at(21, "u32", ticking=True)})
    pdu = (reply(7, 0, 1) + b"\0")[:length]
    assert pass_.still(0, pdu) != pass_.still(0, reply(7, 0, 1))


def test_a_flag_in_a_register_that_ticks_is_still_seen() -> None:
    pass_ = status_pass({"stored_records": at(20, ticking=True), "flags": [flag(20, 3)]})
    assert pass_.still(0, reply(0)) != pass_.still(0, reply(8))


# The uptime.

UPTIMES = """
u32 high_first 1    0    0001 0002   65538
u32 low_first  1    0    0001 0002   131073
u16 high_first 60   0    0003        180
u16 high_first 0.1  0    0019        2
u16 high_first 1    -5   0019        20
i16 high_first 1    0    ffff        None
u64 low_first  1    0    0001 0002 0000 0000   131073
f32 high_first 1    0    42c8 0000   100
f32 high_first 1    0    7fc0 0000   None
f32 high_first 1    0    7f80 0000   None
"""


@pytest.mark.parametrize("line", UPTIMES.strip().splitlines())
def test_uptime(line: str) -> None:
    kind, order, scale, offset, rest = line.split(None, 4)
    *raw, told = rest.split()
    number = float if "." in scale else int
    field = at(21, kind, word_order=order, scale=number(scale), offset=int(offset), ticking=True)
    pass_ = status_pass({"free_memory_kb": at(20), "uptime_s": field})
    pdu = reply(0, *(int(word, 16) for word in raw))
    assert str(pass_.uptime((pdu,))) == told


def test_no_uptime_where_its_block_was_refused_or_the_map_has_none() -> None:
    assert status_pass({"uptime_s": at(21)}).uptime((None,)) is None
    assert status_pass({"free_memory_kb": at(20)}).uptime((reply(7),)) is None


# The split.


def test_a_refused_block_is_split_at_its_fields_and_the_rest_stays() -> None:
    pass_ = status_pass(
        {
            "free_memory_kb": at(20),
            "uptime_s": at(21, "u32", ticking=True),
            "stored_records": at(30),
        }
    )
    assert pass_.requests == (read("holding", 20, 3), read("holding", 30, 1))
    split = pass_.split(0)
    assert split.requests == (
        read("holding", 20, 1),
        read("holding", 21, 2),
        read("holding", 30, 1),
    )
    assert split.uptime((None, reply(0, 9), None)) == 9
    assert split.still(1, reply(0, 9)) == split.still(1, reply(0, 10))


def test_a_single_field_is_not_split_further() -> None:
    pass_ = status_pass({"free_memory_kb": at(20)})
    assert pass_.split(0) is pass_


def test_a_split_reads_no_field_twice() -> None:
    flags = [flag(20, 1)]
    wide = {"type": "bits", "registers": 2, "bits": {16: "restart_pending"}}
    pass_ = compile_map(
        layout(
            status={
                "free_memory_kb": at(22),
                "flags": [*flags, {"table": "holding", "address": 20, **wide}],
            },
            flags={"storage_low": LIVE, "restart_pending": LIVE},
        )
    ).status
    assert pass_.split(0).requests == (read("holding", 20, 2), read("holding", 22, 1))
