"""The demo's readers on octets as their standards have them."""

from __future__ import annotations

import pytest

from simulator.front_end import _metrics, _single_points

HEADER = "03 00 01 00"  # spontaneous, originator 0, common address 1
POINTS = [
    # IEC 60870-5-101, 7.3.1.1: one single point, and the same address counted on (SQ = 1)
    (f"01 01 {HEADER} e8 03 00 01", [(1000, "alarm")]),
    (f"01 83 {HEADER} e8 03 00 01 00 41",
     [(1000, "alarm"), (1001, "normal"), (1002, "alarm (not topical)")]),
    (f"01 02 {HEADER} e8 03 00 00 2d 05 00 01", [(1000, "normal"), (1325, "alarm")]),
    # 7.3.1.22: with CP56Time2a, seven octets behind the value
    (f"1e 02 {HEADER} e8 03 00 01 01 02 03 04 05 06 07 e9 03 00 00 01 02 03 04 05 06 07",
     [(1000, "alarm"), (1001, "normal")]),
    # an answer to a command carries no point
    ("64 01 07 00 01 00 00 00 00 14", []),
]  # fmt: skip


@pytest.mark.parametrize(("asdu", "points"), POINTS)
def test_single_points_of_an_asdu(asdu: str, points: list[tuple[int, str]]) -> None:
    assert list(_single_points(bytes.fromhex(asdu))) == points


def test_metrics_of_a_payload_with_fields_of_every_wire_type() -> None:
    """Encoded by hand after the protocol buffers' encoding; fields by Sparkplug 3.0.0, 6.4."""
    name, value = b"Alarm/silent/state", b"B"
    metric = (
        b"\x0a" + bytes([len(name)]) + name  # 1 name
        + b"\x18\xac\x02"  # 3 timestamp 300
        + b"\x65\x00\x00\x80\x3f"  # 12 float_value 1.0, wire type 5
        + b"\x69\x00\x00\x00\x00\x00\x00\xf0\x3f"  # 13 double_value 1.0, wire type 1
        + b"\x7a" + bytes([len(value)]) + value  # 15 string_value
    )  # fmt: skip
    payload = b"\x08\x01" + b"\x12" + bytes([len(metric)]) + metric + b"\x18\x05"
    assert list(_metrics(payload)) == [("Alarm/silent/state", "B")]
