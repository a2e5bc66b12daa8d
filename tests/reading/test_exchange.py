"""What counts as the answer to a question. Anything near it is garbled, never a value."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from poller.reading.exchange import Garbled, Refused, Reply, bits, match, registers
from poller.reading.frames import Request, identify, read

HOLDING = read("holding", 0, 2)
COILS = read("coil", 0, 9)
BASIC = identify(1)
ONE = identify(4, 5)

CASES = """
HOLDING 03 04 00 01 00 02        reply
HOLDING 83 02                    refused 2
HOLDING 83 0b                    refused 11
HOLDING 83 02 00                 garbled: an exception of 3 octets, not 2
HOLDING 04 04 00 01 00 02        garbled: function code 4 in answer to 3
HOLDING 84 02                    garbled: function code 132 in answer to 3
HOLDING 03 02 00 01              garbled: 2 octets said, 2 there, 4 asked for
HOLDING 03 04 00 01 00           garbled: 4 octets said, 3 there, 4 asked for
HOLDING 03 04 00 01 00 02 00     garbled: 4 octets said, 5 there, 4 asked for
HOLDING 03 06 00 01 00 02 00 03  garbled: 6 octets said, 6 there, 4 asked for
HOLDING 03                       garbled: 1 octets, too few for an answer
COILS 01 02 ff 01                reply
COILS 01 01 ff                   garbled: 1 octets said, 1 there, 2 asked for
COILS 02 02 ff 01                garbled: function code 2 in answer to 1
BASIC 2b 0e 01 01 00 00 00       reply
BASIC 2b 0e 02 01 00 00 00       garbled: read code 2 in answer to 1
BASIC 2b 0d 01 01 00 00 00       garbled: MEI type 13, not 14
BASIC 2b 0e 01 01 01 00 00       garbled: more follows is 0x01, not 0x00 or 0xff
BASIC 2b 0e 01 01 00 00          garbled: an identification of 6 octets, at least 7 needed
BASIC 2b 0e 01 01 00 00 01       garbled: 1 objects said, the answer ends in number 1
BASIC 2b 0e 01 01 00 00 01 00 02 41   garbled: object 0: 2 octets said, 1 there
BASIC 2b 0e 01 01 00 00 00 00    garbled: 1 octets behind the last object
BASIC 2b 0e 01 01 00 00 02 00 00 00 00   garbled: object 0 twice in one answer
BASIC ab 01                      refused 1
ONE 2b 0e 04 83 00 00 01 05 01 41     reply
ONE 2b 0e 04 83 00 00 01 06 01 41     garbled: objects [6] in answer to 5 alone
ONE 2b 0e 04 83 ff 06 01 05 01 41     garbled: objects [5] in answer to 5 alone
ONE 2b 0e 04 83 00 00 00              garbled: objects [] in answer to 5 alone
ONE ab 02                        refused 2
"""
ASKED = {"HOLDING": HOLDING, "COILS": COILS, "BASIC": BASIC, "ONE": ONE}


@pytest.mark.parametrize("line", CASES.strip().splitlines())
def test_match(line: str) -> None:
    asked, rest = line.split(" ", 1)
    raw, verdict = (part.strip() for part in rest.split("  ", 1))
    pdu = bytes.fromhex(raw)
    outcome = match(ASKED[asked], pdu)
    match outcome:
        case Reply():
            assert (verdict, outcome.pdu) == ("reply", pdu)
        case Refused(code=code):
            assert verdict == f"refused {code}"
        case Garbled(reason=reason):
            assert verdict == f"garbled: {reason}"


requests = st.one_of(
    st.builds(read, st.sampled_from(["holding", "input"]), st.just(0), st.integers(1, 125)),
    st.builds(read, st.sampled_from(["coil", "discrete"]), st.just(0), st.integers(1, 2000)),
    st.builds(identify, st.integers(1, 4), st.integers(0, 255)),
)


@given(requests, st.binary(max_size=253))
def test_any_octets_at_all_come_out_as_data(request: Request, pdu: bytes) -> None:
    outcome = match(request, pdu)
    assert isinstance(outcome, Reply | Refused | Garbled)
    if isinstance(outcome, Reply):
        assert pdu[0] == request.function


@given(st.lists(st.integers(0, 0xFFFF), min_size=1, max_size=125))
def test_registers_are_big_endian(values: list[int]) -> None:
    body = b"".join(value.to_bytes(2, "big") for value in values)
    pdu = bytes([3, len(body)]) + body
    assert match(read("holding", 0, len(values)), pdu) == Reply(pdu=pdu)
    assert registers(pdu) == tuple(values)


@given(st.lists(st.booleans(), min_size=1, max_size=2000))
def test_bits_are_low_bit_first_and_padding_is_cut(values: list[bool]) -> None:
    octets = (len(values) + 7) // 8
    body = sum(bit << at for at, bit in enumerate(values)).to_bytes(octets, "little")
    assert bits(bytes([1, octets]) + body, len(values)) == tuple(values)
