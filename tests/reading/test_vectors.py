"""Our builders and readers against the printed examples of the MODBUS specification.

Sources stand beside each case in tests/checks/modbus_vectors.json: MODBUS Application Protocol
Specification V1.1b3 by clause and page; MODBUS Messaging on TCP/IP Implementation Guide V1.0b.
"""

from __future__ import annotations

from typing import Any

import pytest

from poller.model import limits
from poller.reading.exchange import Garbled, Refused, Reply, bits, match, registers
from poller.reading.frames import Frame, FrameReader, adu, identify, read
from poller.reading.identification import Identification
from tests.reading.vectors import PDUS, VECTORS, octets, request_of

BUILDABLE = [case for case in PDUS if case["id"] != "devid-illegal-code"]
READS = [case for case in PDUS if "registers" in case or "bits_lsb_first" in case]


def named(cases: list[dict[str, Any]]) -> Any:
    return pytest.mark.parametrize("case", cases, ids=lambda case: f"{case['id']}")


@named(BUILDABLE)
def test_a_request_is_spelled_as_printed(case: dict[str, Any]) -> None:
    assert request_of(case).pdu == bytes.fromhex(case["req"]), case["source"]


@named(READS)
def test_values_are_read_as_printed(case: dict[str, Any]) -> None:
    pdu = bytes.fromhex(case["rsp"])
    assert match(request_of(case), pdu) == Reply(pdu=pdu)
    if "registers" in case:
        assert registers(pdu) == tuple(case["registers"]), case["source"]
    else:
        told = bits(pdu, case["count"])
        assert told == tuple(bool(one) for one in case["bits_lsb_first"]), case["source"]


@named([case for case in BUILDABLE if "exception" in case])
def test_an_exception_is_told_with_its_code(case: dict[str, Any]) -> None:
    outcome = match(request_of(case), bytes.fromhex(case["rsp"]))
    assert outcome == Refused(code=case["exception"]), case["source"]


def test_the_illegal_read_code_of_the_specification_cannot_even_be_asked() -> None:
    # 6.21 p44: read code 05 is answered with exception 03
    with pytest.raises(ValueError, match="read code 5"):
        identify(5)


@named([case for case in PDUS if "objects" in case])
def test_objects_are_read_as_printed(case: dict[str, Any]) -> None:
    pdu = bytes.fromhex(case["rsp"])
    assert match(request_of(case), pdu) == Reply(pdu=pdu), case["source"]


def test_the_erratum_as_printed_is_malformed() -> None:
    # 6.21 p45 as printed: object 1 declares 13 octets and has 15
    outcome = match(identify(1), octets("devid-basic-as-printed"))
    # cut after 13, object "X" of 88 octets would begin where the text goes on
    assert outcome == Garbled(reason="object 88: 88 octets said, 7 there")


def test_the_two_transactions_of_the_specification_make_one_identification() -> None:
    # 6.21 p45, first and second transaction, counts and a length corrected
    dialogue = Identification("basic", frozenset({0, 1, 2}))
    asked = []
    for name in ("devid-stream-1-corrected", "devid-stream-2-corrected"):
        assert dialogue.request is not None
        asked.append(dialogue.request.pdu)
        dialogue.feed(octets(name))
    assert asked == [
        octets("devid-stream-1-corrected", "req"),
        octets("devid-stream-2-corrected", "req"),
    ]
    assert dialogue.request is None
    assert dialogue.objects == {
        0: b"Company identification",
        1: b"Product code XXXXXXXXXXXXXXXX",
        2: b"V2.11",
    }


def test_the_header_of_the_guide() -> None:
    # implementation guide 4.4.1.2
    case = VECTORS["adu"][0]
    fields = case["fields"]
    request = read("holding", fields["address"], fields["quantity"])
    frame = adu(fields["transaction_id"], fields["unit_id"], request.pdu)
    assert frame == bytes.fromhex(case["adu"])


@named([case for case in VECTORS["adu"] if "rsp" in case])
def test_whole_frames(case: dict[str, Any]) -> None:
    for side in ("req", "rsp"):
        raw = bytes.fromhex(case[side])
        assert FrameReader().feed(raw) == [Frame(1, 0xFF, raw[7:])], case["source"]
        assert adu(1, 0xFF, raw[7:]) == raw, case["source"]


def test_the_limits_are_those_of_the_specification() -> None:
    # spec 6.1 to 6.4 and 6.20; 260 octets a frame: 4.1, from memory
    told = VECTORS["limits"]
    assert told["read_bits_max"] == limits.BITS_MAX
    assert told["read_registers_max"] == limits.REGISTERS_MAX
    assert told["pdu_max_bytes"] == limits.PDU_BYTES_MAX
    assert told["pdu_max_bytes"] + 1 == limits.MBAP_LENGTH_MAX
    assert told["adu_max_bytes"] == limits.MBAP_LENGTH_MAX + 6
