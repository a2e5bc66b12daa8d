"""Each way to misbehave does what its name says, and nothing else.

Exceptions: MODBUS Application Protocol Specification V1.1b3, 7.
"""

from __future__ import annotations

from random import Random

import pytest

from simulator.misbehaviour import KINDS, Line, Plan, Spoiler, Step

# transaction 0x0102, unit 9, the reply to a read of three registers (specification 6.3)
READ = bytes.fromhex("0102 0000 0009 09 03 06 022b 0000 0064")
BITS = bytes.fromhex("0102 0000 0006 09 01 03 cd6b05")
TEXT = bytes.fromhex("0102 0000 000b 09 03 08") + b"\x00\x07V5.10\x00"
REFUSED = bytes.fromhex("0102 0000 0003 09 83 02")
NAMES = bytes.fromhex("0102 0000 0011 09 2b 0e 01 81 00 00 01 00 07") + b"Company"


def spoiled(kind: str, reply: bytes = READ, **parameters: float) -> list[Step]:
    spoiler = Spoiler(Random(5))
    spoiler.put_on(Plan(kind=kind, parameters=parameters))
    return spoiler.steps(reply)


def sent(kind: str, reply: bytes = READ, **parameters: float) -> str:
    (step,) = spoiled(kind, reply, **parameters)
    assert step.data is not None
    assert step.after_s == 0
    return step.data.hex(" ", -2)


# kind | what goes out instead of READ; the rest of the frame as it was
CHANGED = """
wrong_transaction | 0103 0000 0009 0903 0602 2b00 0000 64
wrong_unit        | 0102 0000 0009 0a03 0602 2b00 0000 64
wrong_protocol    | 0102 1234 0009 0903 0602 2b00 0000 64
wrong_function    | 0102 0000 0009 0904 0602 2b00 0000 64
short             | 0102 0000 0007 0903 0402 2b00 00
cut_off           | 0102 0000 0009 0903 0602 2b00 0000
exception         | 0102 0000 0003 0983 04
busy              | 0102 0000 0003 0983 06
two_frames        | 0101 0000 0009 0903 0602 2b00 0000 6401 0200 0000 0909 0306 022b 0000 0064
"""


@pytest.mark.parametrize("line", CHANGED.strip().splitlines())
def test_what_goes_out_instead(line: str) -> None:
    kind, wanted = (part.strip() for part in line.split("|"))
    (step,) = spoiled(kind)
    assert step == Step(bytes.fromhex(wanted))


@pytest.mark.parametrize("code", range(1, 12))
def test_every_exception_code_can_be_sent(code: int) -> None:
    assert sent("exception", code=code) == f"0102 0000 0003 0983 {code:02x}"


def test_fewer_bits_keep_header_and_count_in_step() -> None:
    assert sent("short", BITS) == "0102 0000 0005 0901 02cd 6b"


def test_an_exception_can_not_be_shorter() -> None:
    assert spoiled("short", REFUSED) == [Step(REFUSED)]


def test_a_delay_is_a_delay() -> None:
    assert spoiled("delay", seconds=2.5) == [Step(READ, 2.5)]


def test_an_answer_comes_twice() -> None:
    assert spoiled("twice", gap_s=0.3) == [Step(READ), Step(READ, 0.3)]


def test_no_reply_is_none() -> None:
    assert spoiled("no_reply") == []


def test_hanging_up_closes() -> None:
    assert spoiled("hang_up") == [Step(None)]


def test_pieces_come_in_order_and_make_the_frame() -> None:
    steps = spoiled("split", pieces=4, gap_s=0.5)
    assert [step.after_s for step in steps] == [0, 0.5, 1.0, 1.5]
    assert b"".join(step.data or b"" for step in steps) == READ
    assert all(step.data for step in steps)


def test_a_late_reply_goes_out_before_the_next_one() -> None:
    line, spoiler = Line(), Spoiler(Random(5))
    spoiler.put_on(Plan(kind="late", times=1))
    assert line.order(spoiler.steps(READ)) == []
    assert line.order(spoiler.steps(BITS)) == [Step(READ), Step(BITS)]


def test_garbage_is_as_long_as_wished_and_no_frame() -> None:
    (step,) = spoiled("garbage", octets=40)
    assert step.data is not None
    assert len(step.data) == 40
    assert step.data[:7] != READ[:7]


def test_half_written_text_ends_erased_and_numbers_stay() -> None:
    (step,) = spoiled("half_written", TEXT)
    assert step.data is not None
    assert step.data[:11] == TEXT[:11]
    assert len(step.data) == len(TEXT)
    text = step.data[11:16]
    assert text != b"V5.10"
    assert b"V5.10".startswith(text.rstrip(b"\xff"))


def test_half_written_objects_end_erased() -> None:
    (step,) = spoiled("half_written", NAMES)
    assert step.data is not None
    assert step.data[:16] == NAMES[:16]
    assert step.data.endswith(b"\xff")


@pytest.mark.parametrize("reply", [READ, BITS, NAMES])
def test_one_octet_is_corrupted_under_a_right_header(reply: bytes) -> None:
    (step,) = spoiled("corrupted", reply)
    assert step.data is not None
    differ = [at for at, (a, b) in enumerate(zip(reply, step.data, strict=True)) if a != b]
    assert len(differ) == 1
    assert differ[0] >= 9


def test_times_bounds_how_many_are_spoiled() -> None:
    spoiler = Spoiler(Random(5))
    spoiler.put_on(Plan(kind="no_reply", times=2))
    assert [len(spoiler.steps(READ)) for _ in range(4)] == [0, 0, 1, 1]


def test_chance_is_of_each_reply() -> None:
    spoiler = Spoiler(Random(5))
    spoiler.put_on(Plan(kind="no_reply", chance=0.25))
    lost = sum(not spoiler.steps(READ) for _ in range(4_000))
    assert 900 < lost < 1_100


def test_the_same_seed_gives_the_same_faults() -> None:
    def run(seed: int) -> list[list[Step]]:
        spoiler = Spoiler(Random(seed))
        spoiler.put_on(Plan(kind="garbage", chance=0.3))
        spoiler.put_on(Plan(kind="split", chance=0.5))
        return [spoiler.steps(READ) for _ in range(50)]

    assert run(1) == run(1)
    assert run(1) != run(2)


def test_a_fault_that_ended_spoils_nothing() -> None:
    spoiler = Spoiler(Random(5))
    spoiler.put_on(Plan(kind="no_reply"))
    assert spoiler.take_off("no_reply")
    assert spoiler.steps(READ) == [Step(READ)]
    assert not spoiler.take_off("no_reply")


@pytest.mark.parametrize("kind", [name for name, one in KINDS.items() if one.acts_on != "reply"])
def test_a_fault_of_connections_leaves_replies_alone(kind: str) -> None:
    assert spoiled(kind) == [Step(READ)]


@pytest.mark.parametrize("name", list(KINDS))
def test_defaults_are_within_bounds(name: str) -> None:
    for parameter in KINDS[name].parameters.values():
        assert parameter.least <= parameter.default <= parameter.most
