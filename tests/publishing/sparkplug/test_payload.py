"""The encoder, held against decoders that are not ours: Eclipse Tahu's library for JavaScript, and
the octets themselves.
"""

from __future__ import annotations

import base64
import json
import shutil
import subprocess
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final

import pytest
from hypothesis import given
from hypothesis import strategies as st

from poller.publishing.sparkplug.payload import (
    FIELDS,
    DataType,
    Metric,
    Quality,
    asks_for_rebirth,
    encode,
)
from tests.publishing.sparkplug.lives import command, recorded
from tests.publishing.sparkplug.peer import (
    DATATYPES,
    decode,
    properties_of,
    rows,
    value_of,
)
from tests.publishing.world import T0

NODE: Final = shutil.which("node")
LIBRARY: Final = Path(__file__).parents[3] / ".ci/node_modules"
SCRIPT: Final = Path(__file__).with_name("decode.js")
NOW_MS = 1_772_337_906_789  # T0


def by_tahu(*payloads: bytes) -> list[dict[str, Any]]:
    """npm's sparkplug-payload, EPL-2.0; it reads a UInt32 only from long_value."""
    if NODE is None or not (LIBRARY / "sparkplug-payload").exists():
        pytest.skip("the decoder is not here: npm install --prefix .ci sparkplug-payload@1.0.3")
    done = subprocess.run(
        [NODE, str(SCRIPT)],
        input="\n".join(base64.b64encode(one).decode() for one in payloads),
        env={"NODE_PATH": str(LIBRARY)},
        capture_output=True,
        text=True,
        check=True,
    )
    return [json.loads(line) for line in done.stdout.splitlines()]


METRICS = [
    Metric(name="a", type=DataType.INT32, value=-7, quality=Quality.STALE),
    Metric(name="b", type=DataType.INT64, value=-(2**40), facts=(("Unit", "kB"),)),
    Metric(name="c", type=DataType.BOOLEAN, value=False),
    Metric(name="d", type=DataType.STRING, value="å ∀ 9"),
    Metric(name="e", type=DataType.DATETIME, value=T0, at=T0 - timedelta(seconds=1)),
    Metric(name="f", type=DataType.STRING, value=None, quality=Quality.BAD),
    Metric(name="g", type=DataType.BOOLEAN, value=True, historical=True),
]
VALUES = {
    "a": ("Int32", -7),
    "b": ("Int64", -(2**40)),
    "c": ("Boolean", False),
    "d": ("String", "å ∀ 9"),
    "e": ("DateTime", NOW_MS),
    "f": ("String", None),
    "g": ("Boolean", True),
}


@pytest.mark.parametrize("way", [{"birth": True}, {"birth": False, "typed": True}])
def test_another_implementation_reads_every_type(way: dict[str, bool]) -> None:
    (read,) = by_tahu(encode(METRICS, T0, seq=7, **way))
    assert (read["timestamp"], read["seq"]) == (NOW_MS, 7)
    assert {one["name"]: (one["type"], one["value"]) for one in read["metrics"]} == VALUES


def test_another_implementation_reads_what_else_there_is() -> None:
    (read,) = by_tahu(encode(METRICS, T0, seq=0, birth=True))
    by_name = {one["name"]: one for one in read["metrics"]}
    assert by_name["a"]["properties"] == {"Quality": {"type": "Int32", "value": 500}}
    assert by_name["b"]["properties"] == {"Unit": {"type": "String", "value": "kB"}}
    assert by_name["e"]["timestamp"] == NOW_MS - 1_000
    assert by_name["g"]["isHistorical"] is True
    assert [name for name, one in by_name.items() if one.get("isHistorical")] == ["g"]


@pytest.mark.parametrize("life", ["5", "host"])
def test_another_implementation_reads_all_that_a_node_said(life: str) -> None:
    said = [one for session in recorded(life).sessions for one in session.said]
    for ours, theirs in zip(said, by_tahu(*(one.payload for one in said)), strict=True):
        names = [(one["name"], one["timestamp"]) for one in ours.metrics]
        assert [(one["name"], one["timestamp"]) for one in theirs["metrics"]] == names
        if ours.verb in ("NBIRTH", "DBIRTH"):
            assert [one["value"] for one in theirs["metrics"]] == [
                value_of(one) for one in ours.metrics
            ]


def test_data_without_types_leaves_that_reader_without_values() -> None:
    """The specification wants it so; typed_data is for readers like this one."""
    (read,) = by_tahu(encode(METRICS, T0, seq=7, birth=False))
    assert {one["value"] for one in read["metrics"]} == {None}


# The octets.


def test_the_table_of_fields_is_the_published_one() -> None:
    """checks/README.md, from chapter 6.4."""
    ours, message = [], ""
    for words in map(str.split, FIELDS.strip().splitlines()):
        if len(words) == 1:
            message = words[0]
        else:
            ours.append([message, words[0], words[1], words[2].rstrip("*")])
    assert ours == [list(row.values()) for row in rows("sparkplug_fields.csv")]


@pytest.mark.parametrize("kind", DataType)
def test_types_have_their_published_codes(kind: DataType) -> None:
    assert DATATYPES[kind]["name"].upper() == kind.name


def metric_values() -> st.SearchStrategy[tuple[DataType, Any]]:
    text = st.text(st.characters(categories=("L", "N", "P", "Zs")), max_size=400)
    return st.one_of(
        st.tuples(st.just(DataType.INT32), st.integers(-(2**31), 2**31 - 1)),
        st.tuples(st.just(DataType.INT64), st.integers(-(2**63), 2**63 - 1)),
        st.tuples(st.just(DataType.BOOLEAN), st.booleans()),
        st.tuples(st.just(DataType.STRING), text),
        st.tuples(st.sampled_from(DataType), st.none()),
    )


@given(metric_values(), st.sampled_from([None, *Quality]), st.integers(0, 255))
def test_every_value_is_in_its_octets(
    held: tuple[DataType, Any], quality: Quality | None, seq: int
) -> None:
    kind, value = held
    metric = Metric(name="x", type=kind, value=value, quality=quality)
    body = decode(encode([metric], T0, seq=seq, birth=True))
    (one,) = body["metrics"]
    bits = {DataType.INT32: 32, DataType.INT64: 64}.get(kind)
    expected = value % 2**bits if bits and value is not None else value
    assert (value_of(one), one["datatype"], body["seq"]) == (expected, kind, seq)
    told = properties_of(one).get("Quality")
    assert told == (None if quality is None else {"type": 3, "int_value": quality})


HOSTILE = {
    "\x1b[2J\x07": "\\x1b[2J\\x07",
    "a\u202eb": "a\\u202eb",
    "half \ud800": "half \\ud800",
    "x" * 600: "x" * 499 + "…",
}


@pytest.mark.parametrize("given_", HOSTILE)
def test_text_of_devices_is_made_safe_and_bounded(given_: str) -> None:
    metric = Metric(name="x", type=DataType.STRING, value=given_)
    (one,) = decode(encode([metric], T0, seq=0, birth=True))["metrics"]
    assert one["string_value"] == HOSTILE[given_]


@pytest.mark.parametrize("year", [1, 1969, 9999])
def test_a_clock_that_is_wrong_spoils_no_message(year: int) -> None:
    at = datetime(year, 12, 31, tzinfo=UTC)
    metric = Metric(name="x", type=DataType.DATETIME, value=at, at=at)
    (one,) = decode(encode([metric], T0, seq=0, birth=True))["metrics"]
    expected = 253_402_214_400_000 if year == 9999 else 0
    assert (one["long_value"], one["timestamp"]) == (expected, expected)


# What comes from hosts.


def test_a_request_is_known() -> None:
    assert asks_for_rebirth(command())


NO_REQUEST = {
    "nothing": b"",
    "no payload": b"\xff\xff\xff",
    "text": b"ONLINE",
    "another metric": command(b"Node Control/Reboot"),
    "false": command(value=False),
    "cut off": command()[:-3],
    "no value": b"\x12\x16\x0a\x14Node Control/Rebirth",
    "deep": b"\x12\x80\x80\x40" + b"\x12" * 10_000,
}


@pytest.mark.parametrize("payload", NO_REQUEST.values(), ids=NO_REQUEST)
def test_what_is_no_request_is_passed_over(payload: bytes) -> None:
    assert not asks_for_rebirth(payload)


@given(st.binary(max_size=200))
def test_no_octets_of_a_host_stop_us(payload: bytes) -> None:
    asks_for_rebirth(payload)
    asks_for_rebirth(command() + payload)
