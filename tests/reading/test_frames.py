"""Only reads can be built, and a stream is cut into frames wherever it is torn."""

from __future__ import annotations

import struct
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.logging import Log

from poller.model import limits
from poller.reading import frames
from poller.reading.frames import BadHeader, Frame, FrameReader, Request, adu, identify, read, whole

READS = {1, 2, 3, 4}
integers = st.integers(-3, 70_000)


def is_a_read(pdu: bytes) -> bool:
    """Told from the octets alone, without asking the builders."""
    if pdu[0] in READS:
        _, address, count = struct.unpack(">BHH", pdu)
        most = 2000 if pdu[0] in (1, 2) else 125
        return bool(1 <= count <= most and address + count <= 65_536)
    return len(pdu) == 4 and pdu[:2] == b"\x2b\x0e" and 1 <= pdu[2] <= 4


@given(st.sampled_from(["holding", "input", "coil", "discrete", "file", ""]), integers, integers)
def test_read_builds_a_read_or_nothing(table: Any, address: int, count: int) -> None:
    try:
        request = read(table, address, count)
    except ValueError:
        return
    assert is_a_read(request.pdu)
    assert (request.address, request.count) == (address, count)


@given(st.integers(-2, 300), st.integers(-2, 300))
def test_identify_builds_an_identification_or_nothing(code: int, object_id: int) -> None:
    try:
        request = identify(code, object_id)
    except ValueError:
        return
    assert is_a_read(request.pdu)


@given(
    st.binary(min_size=1, max_size=8),
    st.integers(0, 255),
    st.sampled_from(["holding", "input", "coil", "discrete", "file", None]),
    integers,
    integers,
    st.none() | st.integers(0, 6),
    st.none() | st.integers(0, 300),
)
def test_no_other_request_can_be_made_by_hand_either(
    pdu: bytes, function: int, table: Any, address: int, count: int, code: Any, object_id: Any
) -> None:
    try:
        request = Request(pdu, function, table, address, count, code, object_id)
    except ValueError:
        return
    assert is_a_read(request.pdu)


@pytest.mark.parametrize("function", sorted(set(range(256)) - READS - {43}))
def test_no_other_function_code_is_a_request(function: int) -> None:
    with pytest.raises(ValueError, match="not a request that only reads"):
        Request(bytes([function, 0, 0, 0, 1]), function, "holding", 0, 1, None, None)


def test_a_read_in_the_clothes_of_another_table_is_refused() -> None:
    good = read("holding", 0, 1)
    with pytest.raises(ValueError, match="not a request that only reads"):
        Request(good.pdu, good.function, "input", 0, 1, None, None)


LIMITS = """
holding  1     good
holding  125   good
holding  0     bad
holding  126   bad
coil     2000  good
coil     2001  bad
discrete 0     bad
"""


@pytest.mark.parametrize("line", LIMITS.strip().splitlines())
def test_counts(line: str) -> None:
    # "refusals" of tests/checks/modbus_vectors.json: a server answers these with exception 03
    table, count, verdict = line.split()
    if verdict == "good":
        assert read(table, 0, int(count)).count == int(count)  # type: ignore[arg-type]
    else:
        with pytest.raises(ValueError, match="is not 1 to"):
            read(table, 0, int(count))  # type: ignore[arg-type]


def test_the_last_address_can_be_read_and_nothing_behind_it() -> None:
    assert read("holding", 65_535, 1).address == 65_535
    with pytest.raises(ValueError, match="not all in 0 to 65535"):
        read("holding", 65_535, 2)


made = st.builds(
    Frame,
    st.integers(0, 65_535),
    st.integers(0, 255),
    st.binary(min_size=2, max_size=limits.PDU_BYTES_MAX),
)


@given(st.lists(made, max_size=6), st.data())
def test_frames_come_whole_however_the_stream_is_torn(sent: list[Frame], data: Any) -> None:
    stream = b"".join(adu(one.transaction, one.unit, one.pdu) for one in sent)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=8)))
    reader, got = FrameReader(), list[Frame]()
    for start, end in zip([0, *cuts], [*cuts, len(stream)], strict=True):
        got += reader.feed(stream[start:end])
    assert got == sent


@given(sent=made, cut=st.integers(-3, 3), protocol=st.just(0) | st.integers(0, 65_535))
def test_one_whole_frame_is_what_it_would_be_fed(sent: Frame, cut: int, protocol: int) -> None:
    """And nothing else is one: not a frame that is cut, or more, or of another protocol."""
    made = bytearray(adu(sent.transaction, sent.unit, sent.pdu))
    made[2:4] = protocol.to_bytes(2, "big")
    data = bytes(made[: len(made) + cut]) + bytes(max(0, cut))
    assert whole(data) == (sent if cut == 0 and protocol == 0 else None)


@given(st.lists(made, max_size=3), st.integers(0, 300))
def test_a_reader_is_idle_between_frames_alone(sent: list[Frame], held: int) -> None:
    """Else what it holds would be lost with it."""
    stream = b"".join(adu(one.transaction, one.unit, one.pdu) for one in sent)
    reader = FrameReader()
    reader.feed(stream)
    assert reader.idle
    begun = adu(1, 1, bytes(253))[: held % 260]
    reader.feed(begun)
    assert reader.idle is (not begun)


@given(st.lists(st.binary(max_size=400), max_size=8))
def test_any_octets_at_all_are_frames_or_a_bad_header(chunks: list[bytes]) -> None:
    reader = FrameReader()
    for chunk in chunks:
        try:
            found = reader.feed(chunk)
        except BadHeader as bad:
            found = list(bad.frames)
        assert all(2 <= len(one.pdu) <= limits.PDU_BYTES_MAX for one in found)
        # less than one frame is ever kept
        assert len(reader._buffer) < 6 + limits.MBAP_LENGTH_MAX


BAD = """
00 01 00 01 00 03 ff 03 00    protocol 1, not 0
00 01 00 00 00 02 ff 03 00    length 2, not 3 to 254
00 01 00 00 00 00 ff 03 00    length 0, not 3 to 254
00 01 00 00 00 ff ff 03 00    length 255, not 3 to 254
"""


@pytest.mark.parametrize("line", BAD.strip().splitlines())
def test_a_bad_header_is_known_at_its_sixth_octet(line: str) -> None:
    raw, says = line.split("    ")
    reader = FrameReader()
    assert reader.feed(bytes.fromhex(raw)[:5]) == []
    with pytest.raises(BadHeader, match=says):
        reader.feed(bytes.fromhex(raw)[5:6])


@pytest.mark.parametrize("length", [3, 254])
def test_the_shortest_and_the_longest_frame(length: int) -> None:
    pdu = bytes(length - 1)
    assert FrameReader().feed(adu(7, 1, pdu)) == [Frame(7, 1, pdu)]


def test_good_frames_before_a_bad_header_are_kept_and_nothing_behind_it() -> None:
    reader, good = FrameReader(), adu(1, 255, b"\x83\x02")
    with pytest.raises(BadHeader) as bad:
        reader.feed(good + b"garbage" + good)
    assert bad.value.frames == (Frame(1, 255, b"\x83\x02"),)
    assert not reader.idle
    with pytest.raises(BadHeader):
        reader.feed(good)


def test_pymodbus_is_silent(caplog: pytest.LogCaptureFixture) -> None:
    assert frames.READ_CODES  # importing the module is what silences
    Log.error("what a device sent")
    assert caplog.records == []
