"""Octets of IEC 60870-5-104: time tags against worked examples, frames however they come."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from poller.publishing.iec104 import frames as wire
from poller.publishing.iec104.frames import Asdu, Cause, Type, cp56time2a

# IEC 60870-5-4; the first from a public test suite, the others derived: tests/checks. The one in
# local summer time is left out: all times here are UTC.
CHECKS = Path(__file__).parents[2] / "checks"
FILE = json.loads((CHECKS / "cp56time2a_vectors.json").read_text())
VECTORS = [one for one in FILE["vectors"] if "utc" in one]


@pytest.mark.parametrize("vector", VECTORS, ids=lambda one: one["utc"])
def test_published_time_tags(vector: dict[str, Any]) -> None:
    at = datetime.fromisoformat(vector["utc"])
    ours = bytearray(cp56time2a(at, kept=True))
    theirs = bytearray.fromhex(vector["hex"])
    assert ours[4] >> 5 == at.isoweekday()
    if theirs[4] >> 5 == 0:  # the day of the week is not used there
        ours[4] &= 0x1F
    assert ours == theirs


TIMES = st.integers(0, 100 * 365 * 86_400_000).map(
    lambda ms: datetime(2000, 1, 1, tzinfo=UTC) + timedelta(milliseconds=ms)
)


@given(TIMES, st.booleans())
def test_time_tags_by_their_layout(at: datetime, kept: bool) -> None:
    """As tests/checks/cp56time2a_vectors.json describes the seven octets."""
    octets = cp56time2a(at + timedelta(microseconds=999), kept=kept)
    ms, minute, hour = octets[0] | octets[1] << 8, octets[2], octets[3]
    day, month, year = octets[4] & 0x1F, octets[5], octets[6]
    read = datetime(2000 + year, month, day, hour & 0x1F, minute & 0x3F, tzinfo=UTC)
    assert read + timedelta(milliseconds=ms) == at
    assert minute & 0xC0 == (0 if kept else 0x80), "IV, and nothing reserved"
    assert hour & 0xE0 == 0, "neither summer time nor anything reserved"


def test_a_time_elsewhere_is_told_in_utc() -> None:
    elsewhere = datetime(2025, 7, 15, 12, 30, tzinfo=timezone(timedelta(hours=2)))
    assert cp56time2a(elsewhere, kept=True) == cp56time2a(elsewhere.astimezone(UTC), kept=True)


ASDUS = st.builds(
    Asdu,
    type=st.integers(0, 255),
    structure=st.integers(0, 255),
    cause=st.integers(0, 63),
    negative=st.booleans(),
    test=st.booleans(),
    originator=st.integers(0, 255),
    common=st.integers(0, 65_535),
    rest=st.binary(min_size=3, max_size=240),
)


@given(ASDUS)
def test_an_asdu_is_read_as_it_is_written(asdu: Asdu) -> None:
    assert Asdu.of(asdu.octets) == asdu


def test_an_asdu_by_hand() -> None:
    """101, 7.1 to 7.2.5: type, structure, cause with P/N and T, originator, station, object."""
    octets = bytes.fromhex("64 01 c6 07 3412 563412 14")
    asdu = Asdu.of(octets)
    assert (asdu.type, asdu.structure, asdu.cause) == (Type.INTERROGATION, 1, Cause.ACTIVATION)
    assert (asdu.negative, asdu.test, asdu.originator) == (True, True, 7)
    assert (asdu.common, asdu.address, asdu.rest[3:]) == (0x1234, 0x123456, b"\x14")


@given(st.lists(st.binary(min_size=4, max_size=253)), st.data())
def test_frames_come_whole_however_the_stream_is_cut(
    apdus: list[bytes], data: st.DataObject
) -> None:
    stream = b"".join(bytes((0x68, len(one))) + one for one in apdus)
    heard, found = bytearray(), []
    while stream:
        cut = data.draw(st.integers(1, len(stream)))
        heard += stream[:cut]
        stream = stream[cut:]
        found += wire.frames(heard)
    assert found == apdus
    assert not heard


@pytest.mark.parametrize("octets", ["69 04 07 00 00 00", "68 03 07 00 00", "68 fe 00 00"])
def test_what_begins_no_frame_is_told_at_once(octets: str) -> None:
    with pytest.raises(ValueError, match="is no APDU"):
        list(wire.frames(bytearray.fromhex(octets)))


def test_the_largest_asdus_fit() -> None:
    at = datetime(2026, 3, 1, tzinfo=UTC)
    most = wire.timed(1, [(number, 1) for number in range(wire.TIMED_MAX)], at, True)
    assert len(most.octets) <= 249
    assert len(most.octets) + 11 > 249, "one more object would not"
    asked = Asdu(type=Type.INTERROGATION, cause=Cause.ACTIVATION, common=1, rest=bytes(4))
    sequence = wire.interrogated(asked, 1, 1, bytes(wire.SEQUENCE_MAX))
    assert Asdu.of(sequence.octets).structure == 0xFF
