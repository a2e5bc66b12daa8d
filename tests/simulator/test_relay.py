"""A relay answers as the MODBUS specification says.

Source: MODBUS Application Protocol Specification V1.1b3, as given in modbus_vectors.json.
"""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path
from random import Random
from typing import Any

import pytest

from simulator.encoding import DoesNotFit
from simulator.relay import EPOCH, Relay
from tests.simulator.layouts import identified_relay, layout, plain_relay, text_relay

VECTORS: dict[str, Any] = json.loads(
    (Path(__file__).parents[1] / "checks" / "modbus_vectors.json").read_text()
)
TABLES = {1: "coil", 2: "discrete", 3: "holding", 4: "input"}
PDUS = {case["id"]: case for case in VECTORS["pdu"]}


def octets(text: str) -> bytes:
    return bytes.fromhex(text)


@pytest.mark.parametrize("name", ["fc01", "fc02", "fc03", "fc04"])
def test_the_printed_reads_get_the_printed_replies(name: str) -> None:
    case = PDUS[name]
    values = case.get("registers") or case["bits_lsb_first"]
    relay = plain_relay(TABLES[case["fc"]], case["addr"], values)
    assert relay.reply(octets(case["req"])).hex(" ").upper() == case["rsp"]


def test_an_output_that_is_not_there_gets_the_printed_exception() -> None:
    case = PDUS["exception"]
    assert plain_relay("coil", 0, [0] * 500).reply(octets(case["req"])) == octets(case["rsp"])


# A device of 100 registers: page 48 of the specification.
HUNDRED = """
03 0060 0004 -> 03 08
03 0060 0005 -> 83 02
03 0064 0001 -> 83 02
03 0000 0064 -> 03 c8
03 0000 0000 -> 83 03
03 0000 007e -> 83 03
03 0000 007d -> 83 02
03 ffff 0001 -> 83 02
04 0000 0001 -> 84 02
01 0000 0001 -> 81 02
02 0000 07d0 -> 82 02
02 0000 07d1 -> 82 03
03 0000      -> 83 03
03 0000 0001 00 -> 83 03
"""


@pytest.mark.parametrize("line", HUNDRED.strip().splitlines())
def test_a_device_of_a_hundred_registers(line: str) -> None:
    asked, answered = line.split(" -> ")
    relay = text_relay({"swRev": "1.0"})
    assert relay.reply(octets(asked)).hex(" ").startswith(answered)


# Everything that is not for reading: writes, diagnostics, files, and what nobody defined.
@pytest.mark.parametrize("function", [5, 6, 7, 8, 11, 15, 16, 20, 22, 23, 24, 65, 127])
def test_other_functions_are_illegal_and_recorded(function: int) -> None:
    relay = text_relay({"swRev": "1.0"})
    assert relay.reply(bytes([function, 0, 0, 0, 1])) == bytes([function | 0x80, 1])
    assert relay.function_codes == {str(function)}


@pytest.mark.parametrize("asked", ["2b", "2b0d", "2b0f0100"])
def test_other_encapsulated_interfaces_are_illegal(asked: str) -> None:
    relay = identified_relay({0: "A", 1: "B", 2: "C"})
    assert relay.reply(octets(asked)) == b"\xab\x01"


def test_without_identification_function_43_is_illegal() -> None:
    assert text_relay({"swRev": "1.0"}).reply(octets("2b0e0100")) == b"\xab\x01"


NAMES = {0: "Company identification", 1: "Product code XX", 2: "V2.11"}


@pytest.mark.parametrize(
    ("name", "conformity"), [("devid-basic-corrected", 0x81), ("devid-stream-2-corrected", 0x81)]
)
def test_identification_as_printed(name: str, conformity: int) -> None:
    """Conformity is 81 here: this relay lets objects be read one by one as well."""
    case = PDUS[name]
    wanted = bytearray(octets(case["rsp"]))
    wanted[3] = conformity
    assert identified_relay(NAMES).reply(octets(case["req"])) == bytes(wanted)


def test_a_stream_goes_on_where_it_stopped() -> None:
    case = PDUS["devid-stream-1-corrected"]
    wanted = bytearray(octets(case["rsp"]))
    wanted[3] = 0x81
    texts = case["objects"]
    relay = identified_relay(
        {0: texts["0"], 1: texts["1"], 2: "V2.11"}, reply_octets_max=len(wanted)
    )
    assert relay.reply(octets(case["req"])) == bytes(wanted)


@pytest.mark.parametrize("name", ["devid-illegal-code", "devid-individual-unknown"])
def test_identification_refused_as_printed(name: str) -> None:
    case = PDUS[name]
    assert identified_relay(NAMES).reply(octets(case["req"])) == octets(case["rsp"])


def ids(relay: Relay, read_code: int) -> list[int]:
    """Object ids over all answers, followed as page 44 says."""
    found: list[int] = []
    following = 0
    for _ in range(64):
        pdu = relay.reply(bytes([43, 14, read_code, following]))
        assert len(pdu) <= 253
        at = 7
        for _ in range(pdu[6]):
            found.append(pdu[at])
            at += 2 + pdu[at + 1]
        assert at == len(pdu)
        if pdu[4] == 0:
            assert pdu[5] == 0
            return found
        following = pdu[5]
    raise AssertionError("the stream does not end")


MANY = {**NAMES, 3: "example", 6: "x" * 200, 0x80: "y" * 244, 0x81: "", 0xFF: "z" * 100}


@pytest.mark.parametrize(
    ("read_code", "wanted"),
    [(1, [0, 1, 2]), (2, [0, 1, 2, 3, 6]), (3, [0, 1, 2, 3, 6, 0x80, 0x81, 0xFF])],
)
def test_each_level_streams_its_objects_whole_and_once(read_code: int, wanted: list[int]) -> None:
    assert ids(identified_relay(MANY), read_code) == wanted


def test_a_stream_from_an_object_that_is_not_there_starts_over() -> None:
    relay = identified_relay(MANY)
    assert relay.reply(bytes([43, 14, 2, 5])) == relay.reply(bytes([43, 14, 2, 0]))


def test_one_object_alone_says_nothing_follows() -> None:
    pdu = identified_relay(MANY).reply(bytes([43, 14, 4, 2]))
    assert pdu == octets("2b 0e 04 83 00 00 01 02 05") + b"V2.11"


def test_two_relays_have_two_identities() -> None:
    one, other = identified_relay(NAMES), identified_relay({**NAMES, 0: "Another"})
    assert one.reply(octets("2b0e0400")) != other.reply(octets("2b0e0400"))


def test_an_object_longer_than_a_reply_is_refused() -> None:
    with pytest.raises(DoesNotFit, match="245 octets, an object holds 244"):
        identified_relay({**NAMES, 3: "x" * 245}).reply(octets("2b0e0100"))


def test_uptime_goes_on_and_begins_again_at_a_restart() -> None:
    status = {"uptime_s": {"table": "holding", "address": 10, "type": "u16", "ticking": True}}
    relay = text_relay({"swRev": "1.0"}, status=status)
    ask = octets("03000a0001")
    relay.advance(EPOCH + timedelta(seconds=90))
    before = relay.reply(ask)
    relay.restart(None)
    relay.advance(EPOCH + timedelta(seconds=97))
    assert (before[-1], relay.reply(ask)[-1]) == (90, 7)


def test_a_value_that_does_not_fit_leaves_the_relay_as_it_was() -> None:
    relay = text_relay({"swRev": "1.0"})
    before = relay.reply(octets("0300000004"))
    with pytest.raises(DoesNotFit, match=r"swRev: '1\.2\.3\.4\.5' has 9 characters"):
        relay.present(nameplate=text_relay({"swRev": "1.2.3.4.5"}).nameplate)
    assert relay.reply(octets("0300000004")) == before


def test_the_boot_program_never_shows_the_whole_text() -> None:
    relay = text_relay({"swRev": "12345678"})
    whole = relay.reply(octets("0300000004"))
    relay.restart(Random(1))
    shown = set()
    for second in range(40):
        relay.advance(EPOCH + timedelta(seconds=second))
        shown.add(relay.reply(octets("0300000004")))
    assert whole not in shown
    assert len(shown) > 2


def test_another_layout_moves_registers() -> None:
    relay = text_relay({"swRev": "1.0"})
    moved = {"table": "holding", "address": 50, "type": "ascii", "registers": 4}
    relay.present(layout=layout(identity={"swRev": moved}))
    assert relay.reply(octets("0300320001")) == b"\x03\x021."
