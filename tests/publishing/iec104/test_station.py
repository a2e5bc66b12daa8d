"""What the outstation answers to each request. Causes: IEC 60870-5-101:2003, 7.2.3, from memory."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from poller.model.standing import Points, State
from poller.publishing.iec104.frames import Asdu
from poller.publishing.iec104.points import Numbers, Picture, picture
from poller.publishing.iec104.station import Station
from tests.publishing.world import site

COMMON = 47
POINTS = Points(blocks={"": (0,)}, places={})


def station(numbers: Numbers | None = None, now: Picture | None = None) -> Station:
    found, nothing = numbers or Numbers(POINTS, site()), now or picture(State())
    return Station(
        common=COMMON, first=1_000, overflow=1, numbers=lambda: found, picture=lambda: nothing
    )


# type, structure, cause with P/N and T, originator, station, object address, rest
#   -> type, cause with P/N and T, originator, station; or: carried out
CASES = """
64 01 06 00 2F00 000000 14 -> carried out            # interrogation of the station
64 01 06 07 FFFF 000000 14 -> carried out            # of every station
64 01 86 00 2F00 000000 14 -> carried out            # as a test
64 01 06 00 2F00 000000 15 -> 64 47 00 2F00          # of a group of points: there are none
64 01 06 00 2F00 000000    -> 64 47 00 2F00          # without qualifier
64 02 06 00 2F00 000000 14 -> 64 47 00 2F00          # of two
64 01 08 00 2F00 000000 14 -> 64 49 00 2F00          # ended early: it is short
64 01 05 00 2F00 000000 14 -> 64 6D 00 2F00          # requested: no cause of an interrogation
64 01 46 09 2F00 010000 14 -> 64 6F 09 2F00          # of an object
64 01 06 00 3000 000000 14 -> 64 6E 00 3000          # another station
2D 01 06 03 2F00 881300 01 -> 2D 47 03 2F00          # single command
2D 01 86 03 2F00 881300 01 -> 2D C7 03 2F00          # as a test
2D 01 08 00 2F00 881300 81 -> 2D 49 00 2F00          # select, given up
2D 01 06 00 FFFF 881300 01 -> 2D 6E 00 FFFF          # a command is of one station
33 01 06 00 2F00 881300 00000000 -> 33 47 00 2F00    # bit string
3A 01 06 00 2F00 881300 01 00000000810118 -> 3A 47 00 2F00 # single command with time
40 01 06 00 2F00 881300 00 00000000810118 -> 40 47 00 2F00 # the last of these
65 01 06 00 2F00 000000 05 -> 65 47 00 2F00          # counters
67 01 06 00 FFFF 000000 00000000810118 -> 67 47 00 2F00 # clock
69 01 06 00 2F00 000000 01 -> 69 47 00 2F00          # reset
66 01 05 00 2F00 881300 -> 66 6C 00 2F00             # read
6B 01 06 00 2F00 000000 0000 00000000810118 -> 6B 6C 00 2F00 # test command
6E 01 06 00 2F00 881300 0000 00 -> 6E 6C 00 2F00     # parameter
01 01 03 00 2F00 881300 01 -> 01 6C 00 2F00          # what only an outstation sends
34 01 06 00 2F00 881300 01 -> 34 6C 00 2F00          # reserved
"""
ROWS = [line.split("#")[0].split("->") for line in CASES.strip().splitlines()]


@pytest.mark.parametrize(("request_", "wanted"), ROWS)
def test_each_request_has_its_answer(request_: str, wanted: str) -> None:
    asked = Asdu.of(bytes.fromhex(request_))
    answer = station().refusal(asked)
    if wanted.strip() == "carried out":
        assert answer is None
        return
    kind, *rest = bytes.fromhex(wanted)
    assert answer is not None
    assert answer.octets[:6] == bytes((kind, asked.structure, *rest))
    assert answer.rest == asked.rest, "mirrored"


@given(st.binary(min_size=9, max_size=60))
def test_whatever_is_asked_is_refused_or_an_interrogation(octets: bytes) -> None:
    asked = Asdu.of(octets)
    answer = station().refusal(asked)
    if answer is None:
        assert (asked.type, asked.cause) == (100, 6)
    else:
        assert answer.negative
        assert answer.octets[6:] == octets[6:]


def test_an_answer_is_of_the_moment_in_which_it_is_sent() -> None:
    numbers = Numbers(POINTS, site())
    numbers.__dict__["by_owner"] = {"": (0, 5)}
    now = Picture(standing={}, not_read=frozenset())
    one = Station(
        common=COMMON, first=1_000, overflow=1, numbers=lambda: numbers, picture=lambda: now
    )
    asked = Asdu.of(bytes.fromhex("64 01 86 07 FFFF 000000 14"))
    answers = one.interrogation(asked, lambda: True)
    sent = [next(answers) for _ in range(3)]
    now = Picture(standing={5: {"an alarm"}}, not_read=frozenset())
    sent += answers
    assert [one.octets.hex(" ") for one in sent] == [
        "64 01 87 07 2f 00 00 00 00 14",
        "01 81 94 07 2f 00 01 00 00 01",
        "01 81 94 07 2f 00 e8 03 00 00",
        "01 81 94 07 2f 00 ed 03 00 01",
        "64 01 8a 07 2f 00 00 00 00 14",
    ]
