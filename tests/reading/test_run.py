"""One pass as a dialogue: what each kind of outcome makes of it."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from poller.reading.exchange import Garbled, NoReply, Outcome, Refused, Reply
from poller.reading.frames import Request, identify, read
from poller.reading.read_plan import Pass, compile_map
from poller.reading.run import PassRead, describe, is_away, is_later, run
from tests.simulator.layouts import layout


def at(address: int) -> dict[str, object]:
    return {"table": "holding", "address": address, "type": "u16"}


# registers 0 and 1 in one block, 9 in another
FIELDS = {"free_memory_kb": at(0), "stored_records": at(1), "setting_group": at(9)}
STATUS = compile_map(layout(status=FIELDS)).status
BOTH = Reply(pdu=bytes.fromhex("03 04 00 01 00 02"))
ONE = Reply(pdu=bytes.fromhex("03 02 00 07"))


def answered(pass_: Pass, outcomes: Sequence[Outcome]) -> tuple[list[Request], PassRead]:
    """All that was asked, and the result. outcomes: exactly as many as are asked for."""
    dialogue, asked = run(pass_), list[Request]()
    asked.append(next(dialogue))
    left = list(outcomes)
    while True:
        try:
            asked.append(dialogue.send(left.pop(0)))
        except StopIteration as end:
            assert not left, "asked less than expected"
            result: PassRead = end.value
            return asked, result


def test_every_block_is_asked_for_once_and_in_order() -> None:
    asked, got = answered(STATUS, [BOTH, ONE])
    assert asked == [read("holding", 0, 2), read("holding", 9, 1)]
    assert (got.pass_, got.replies, got.objects) == (STATUS, (BOTH.pdu, ONE.pdu), {})
    assert got.complete


def test_a_block_refused_with_02_is_split_at_its_fields_and_remembered() -> None:
    asked, got = answered(STATUS, [Refused(code=2), ONE, ONE, ONE])
    singles = [read("holding", 0, 1), read("holding", 1, 1), read("holding", 9, 1)]
    assert asked == [read("holding", 0, 2), *singles]
    assert got.pass_.requests == tuple(singles)
    assert got.complete


def test_a_single_field_refused_is_left_out_and_the_pass_goes_on() -> None:
    _, got = answered(STATUS, [BOTH, Refused(code=2)])
    assert got.replies == (BOTH.pdu, None)
    assert got.trouble == Refused(code=2)


@pytest.mark.parametrize("code", [1, 3, 4, 8])
def test_another_refusal_does_not_split(code: int) -> None:
    asked, got = answered(STATUS, [Refused(code=code), ONE])
    assert asked == list(STATUS.requests)
    assert got.replies == (None, ONE.pdu)
    assert got.trouble == Refused(code=code)


ENDS = [
    NoReply(reason="no reply within 3 s"),
    Garbled(reason="function code 4 in answer to 3"),
    *(Refused(code=code) for code in (5, 6, 0x0A, 0x0B)),
]


@pytest.mark.parametrize("outcome", ENDS)
def test_silence_busy_and_away_end_the_pass(outcome: Outcome) -> None:
    asked, got = answered(STATUS, [outcome])
    assert len(asked) == 1
    assert got.trouble == outcome
    assert not got.complete


# exception ; later ; away. Meanings: specification 7 p48 and p49, modbus_exceptions.csv
MEANINGS = """
01 no no
02 no no
03 no no
04 no no
05 yes no
06 yes no
07 no no
08 no no
09 no no
0A no yes
0B no yes
"""


@pytest.mark.parametrize("line", MEANINGS.strip().splitlines())
def test_exceptions_are_told_apart(line: str) -> None:
    code, later, away = line.split()
    refused = Refused(code=int(code, 16))
    assert (is_later(refused), is_away(refused)) == (later == "yes", away == "yes")
    assert describe(refused).startswith(f"exception {code}, ")


def test_only_what_did_not_answer_is_away() -> None:
    assert is_away(NoReply(reason=""))
    assert is_away(Garbled(reason=""))
    assert not is_away(ONE)
    assert not is_away(None)


# Identification.


def objects_pass(kind: str) -> Pass:
    one = layout(identification=kind, identity={"swRev": {"object": 2}, "model": {"object": 5}})
    return compile_map(one).identity


def told(code: int, number: int, text: bytes, *, following: int | None = None) -> Reply:
    more = b"\0\0" if following is None else bytes([0xFF, following])
    return Reply(pdu=bytes([43, 14, code, 0x83]) + more + bytes([1, number, len(text)]) + text)


def test_a_stream_is_followed_and_its_objects_kept() -> None:
    asked, got = answered(
        objects_pass("regular"), [told(2, 2, b"V1", following=5), told(2, 5, b"M")]
    )
    assert asked == [identify(2, 0), identify(2, 5)]
    assert got.objects == {2: b"V1", 5: b"M"}
    assert got.complete


def test_an_object_that_is_not_there_is_no_trouble() -> None:
    asked, got = answered(objects_pass("individual"), [Refused(code=2), told(4, 5, b"M")])
    assert asked == [identify(4, 2), identify(4, 5)]
    assert got.objects == {5: b"M"}
    assert got.complete


def test_a_stream_refused_is_trouble() -> None:
    _, got = answered(objects_pass("basic"), [Refused(code=2)])
    assert got.trouble == Refused(code=2)


def test_a_stream_that_goes_in_a_circle_is_garbled() -> None:
    _, got = answered(objects_pass("basic"), [told(1, 2, b"V", following=2)])
    assert isinstance(got.trouble, Garbled)
