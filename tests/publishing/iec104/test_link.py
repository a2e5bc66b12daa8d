"""One connection of the outstation: what each frame does, windows, timers; octets written by hand.

What each frame means is IEC 60870-5-104:2006, 5, from memory; that somebody else understands it so
too is shown with c104's client, in test_output.py.
"""

from __future__ import annotations

from collections.abc import Iterable
from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st

from poller.publishing.iec104.link import Link, LinkFault, Times

ASDU = bytes.fromhex("64 01 06 00 0100 000000 14")
STARTDT, STARTDT_CON = "6804 07000000", "6804 0b000000"
STOPDT, STOPDT_CON = "6804 13000000", "6804 23000000"
TESTFR, TESTFR_CON = "6804 43000000", "6804 83000000"


def s(received: int) -> str:
    return (b"\x68\x04\x01\x00" + (received << 1).to_bytes(2, "little")).hex()


def i(sent: int, received: int, asdu: bytes = ASDU) -> str:
    numbers = (sent << 1).to_bytes(2, "little") + (received << 1).to_bytes(2, "little")
    return (bytes((0x68, 4 + len(asdu))) + numbers + asdu).hex()


def out(link: Link) -> bytes:
    octets = bytes(link.out)
    link.out.clear()
    return octets


def octets(*texts: str) -> bytes:
    return b"".join(bytes.fromhex(text) for text in texts)


def link(*heard: str, now_s: float = 0, **times: float) -> Link:
    one = Link(Times(**times), now_s)  # type: ignore[arg-type]
    for text in heard:
        one.heard(bytes.fromhex(text), now_s)
    return one


def say(one: Link, count: int, now_s: float = 0) -> None:
    for _ in range(count):
        one.say(ASDU, now_s)


# What each frame is answered with.

ANSWERS = {
    "start": ([STARTDT], [STARTDT_CON]),
    "start twice": ([STARTDT, STARTDT], [STARTDT_CON, STARTDT_CON]),
    "stop": ([STARTDT, STOPDT], [STARTDT_CON, STOPDT_CON]),
    "test": ([TESTFR], [TESTFR_CON]),
    "data, owed to be confirmed before the stop": (
        [STARTDT, i(0, 0), STOPDT],
        [STARTDT_CON, s(1), STOPDT_CON],
    ),
    "eight of data": (
        [STARTDT, *(i(number, 0) for number in range(8))],
        [STARTDT_CON, s(8)],
    ),
}


@pytest.mark.parametrize("case", ANSWERS)
def test_what_is_answered(case: str) -> None:
    heard, answers = ANSWERS[case]
    assert out(link(*heard)) == octets(*answers)


FAULTS = {
    "data before start": [i(0, 0)],
    "data after stop": [STARTDT, STOPDT, i(0, 0)],
    "a number left out": [STARTDT, i(1, 0)],
    "a number twice": [STARTDT, i(0, 0), i(0, 0)],
    "confirms what was not sent": [STARTDT, s(1)],
    "confirms it beside data": [STARTDT, i(0, 1)],
    "its lowest bit is no number": [STARTDT, "6804 0100 0100"],
    "two functions at once": ["6804 47000000"],
    "no function": ["6804 03000000"],
    "a confirmation nobody asked for": [STARTDT_CON],
    "a function and more": ["6804 07010000"],
    "neither S nor U": ["6804 05000000"],
    "S frame with data": ["6805 0100 0000 00"],
    "an ASDU without an object": [STARTDT, i(0, 0, bytes(8))],
    "no frame": ["6904 07000000"],
}


@pytest.mark.parametrize("case", FAULTS)
def test_what_ends_the_connection(case: str) -> None:
    *before, last = FAULTS[case]
    one = link(*before)
    with pytest.raises(LinkFault):
        one.heard(bytes.fromhex(last), 0)


# Windows.


def test_no_more_than_k_are_under_way() -> None:
    one = link(STARTDT, k=3)
    say(one, 3)
    assert not one.room
    one.heard(octets(s(2)), 0)
    assert one.confirmed == 2
    say(one, 2)
    assert not one.room


def test_nothing_is_said_before_start_or_after_stop() -> None:
    assert not link().room
    assert not link(STARTDT, STOPDT).room


def test_data_confirms_data() -> None:
    one = link(STARTDT, i(0, 0))
    out(one)
    say(one, 1)
    assert out(one) == octets(i(0, 1))
    one.heard(octets(i(1, 1)), 0)
    assert one.confirmed == 1


def test_what_data_confirmed_is_not_confirmed_again() -> None:
    one = link(STARTDT, *(i(number, 0) for number in range(7)))
    say(one, 1)
    out(one)
    one.heard(octets(*(i(number, 0) for number in range(7, 14))), 0)
    assert out(one) == b"", "seven since then; w is eight"
    one.heard(octets(i(14, 0)), 0)
    assert out(one) == octets(s(15))


def test_stop_is_confirmed_once_all_data_are() -> None:
    one = link(STARTDT)
    say(one, 2)
    out(one)
    one.heard(octets(STOPDT, s(1)), 0)
    assert out(one) == b""
    one.heard(octets(s(2)), 0)
    assert out(one) == octets(STOPDT_CON)


@given(st.integers(1, 12), st.integers(1, 40_000))
def test_numbers_go_round(k: int, frames: int) -> None:
    """104, 5.1: modulo 32768, in both directions."""
    one = link(STARTDT, k=k, w=k)
    one._sent = one._confirmed = one._received = one._owed = frames
    for number in range(frames, frames + 2 * k):
        one.say(ASDU, 0)
        one.heard(octets(i(number % 0x8000, (number + 1) % 0x8000)), 0)
    assert one.confirmed == frames + 2 * k
    assert one.room


# Timers.


def run(one: Link, times_s: Iterable[float]) -> list[tuple[float, str]]:
    """What is written when, as time goes by."""
    told = []
    for now_s in times_s:
        one.tick(now_s)
        if one.out:
            told.append((now_s, out(one).hex()))
    return told


def test_t1_ends_a_connection_that_confirms_no_data() -> None:
    one = link(STARTDT)
    say(one, 1, 100)
    say(one, 1, 114)
    one.heard(octets(TESTFR), 110)
    assert one.due_s == 115
    one.tick(114.9)
    with pytest.raises(LinkFault, match="t1"):
        one.tick(115)


def test_t1_starts_anew_with_what_is_confirmed() -> None:
    one = link(STARTDT)
    say(one, 1, 100)
    say(one, 1, 110)
    one.heard(octets(s(1)), 112)
    one.tick(124.9)
    with pytest.raises(LinkFault, match="t1"):
        one.tick(125)


def test_t2_confirms_what_nothing_else_did() -> None:
    one = link(STARTDT)
    one.heard(octets(i(0, 0)), 3)
    one.heard(octets(i(1, 0)), 9)
    out(one)
    assert one.due_s == 13
    assert run(one, (12.9, 13, 13.1)) == [(13, s(2))]


def test_t3_asks_whether_anybody_is_there_and_t1_waits_for_the_answer() -> None:
    one = link(STARTDT)
    out(one)
    assert run(one, (19.9, 20, 20.1, 34.9)) == [(20, octets(TESTFR).hex())]
    with pytest.raises(LinkFault, match="t1"):
        one.tick(35)


def test_an_answer_is_enough() -> None:
    one = link(STARTDT)
    out(one)
    run(one, (20,))
    one.heard(octets(TESTFR_CON), 21)
    assert run(one, (40.9, 41)) == [(41, octets(TESTFR).hex())]


def test_a_connection_that_waits_to_be_started_is_asked_too() -> None:
    assert run(link(), (20,)) == [(20, octets(TESTFR).hex())]


def test_nothing_is_due_that_has_been_done() -> None:
    one = link(STARTDT, t3_s=inf)
    assert one.due_s == inf


# Whatever comes.


@given(
    st.lists(
        st.binary(max_size=40) | st.sampled_from([octets(STARTDT), octets(TESTFR), octets(s(0))])
    )
)
def test_whatever_comes_ends_it_or_is_understood(chunks: list[bytes]) -> None:
    one = link()
    try:
        for chunk in chunks:
            one.heard(chunk, 0)
            if one.room:
                one.say(ASDU, 0)
    except LinkFault:
        return
    assert len(one._heard) < 2 + 253
