"""The dialogue of Read Device Identification, and devices that make a mess of it."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from poller.model import limits
from poller.reading.identification import BadObjects, Identification


def answer(objects: dict[int, bytes], *, code: int = 1, next_object: int | None = None) -> bytes:
    more, following = (0, 0) if next_object is None else (0xFF, next_object)
    head = bytes([43, 14, code, 0x83, more, following, len(objects)])
    return head + b"".join(bytes([n, len(text)]) + text for n, text in objects.items())


def asked(dialogue: Identification) -> tuple[int | None, int | None] | None:
    request = dialogue.request
    return None if request is None else (request.read_code, request.object_id)


@pytest.mark.parametrize(
    ("kind", "code"), [("basic", 1), ("regular", 2), ("extended", 3), ("individual", 4)]
)
def test_the_first_request(kind: str, code: int) -> None:
    dialogue = Identification(kind, frozenset({7, 9}))  # type: ignore[arg-type]
    # a stream begins at object 0 (6.21 p43); individual access names its object
    assert asked(dialogue) == (code, 7 if kind == "individual" else 0)


def test_a_stream_goes_on_where_the_device_says() -> None:
    dialogue = Identification("regular", frozenset({0, 5}))
    dialogue.feed(answer({0: b"Vendor"}, code=2, next_object=4))
    assert asked(dialogue) == (2, 4)
    dialogue.feed(answer({4: b"P", 5: b"Model"}, code=2))
    assert asked(dialogue) is None
    assert dialogue.objects == {0: b"Vendor", 4: b"P", 5: b"Model"}


def test_individual_access_asks_for_each_object_and_does_without_absent_ones() -> None:
    dialogue = Identification("individual", frozenset({2, 0x80, 5}))
    dialogue.feed(answer({2: b"V1"}, code=4))
    assert asked(dialogue) == (4, 5)
    dialogue.absent()
    assert asked(dialogue) == (4, 0x80)
    dialogue.feed(answer({0x80: b"logic 7"}, code=4))
    assert asked(dialogue) is None
    assert dialogue.objects == {2: b"V1", 0x80: b"logic 7"}


def test_one_object_an_answer_is_allowed() -> None:
    dialogue = Identification("extended", frozenset({3}))
    for number in range(limits.IDENTIFICATION_TURNS_MAX - 1):
        dialogue.feed(answer({number: b"x"}, code=3, next_object=number + 1))
    last = limits.IDENTIFICATION_TURNS_MAX - 1
    dialogue.feed(answer({last: b"x"}, code=3))
    assert len(dialogue.objects) == limits.IDENTIFICATION_TURNS_MAX
    assert dialogue.request is None


def test_a_stream_that_does_not_end_is_ended() -> None:
    dialogue = Identification("extended", frozenset({3}))
    for number in range(limits.IDENTIFICATION_TURNS_MAX - 1):
        dialogue.feed(answer({number: b"x"}, code=3, next_object=number + 1))
    with pytest.raises(BadObjects, match="does not end: 32 answers"):
        dialogue.feed(answer({200: b"x"}, code=3, next_object=201))


LOOPS = {
    "begins again": [({0: b"a", 1: b"b"}, 2), ({0: b"a", 1: b"b"}, 2)],
    "points at itself": [({0: b"a"}, 0)],
    "points back": [({0: b"a"}, 1), ({1: b"b"}, 0)],
    "brings nothing": [({0: b"a"}, 1), ({}, 1)],
}


@pytest.mark.parametrize("turns", LOOPS.values(), ids=LOOPS)
def test_a_device_that_goes_in_a_circle_is_garbled(
    turns: list[tuple[dict[int, bytes], int]],
) -> None:
    dialogue = Identification("basic", frozenset({0, 1, 2}))
    *good, (objects, following) = turns
    for before, then in good:
        dialogue.feed(answer(before, next_object=then))
    with pytest.raises(BadObjects):
        dialogue.feed(answer(objects, next_object=following))


@given(st.lists(st.binary(max_size=60), max_size=80), st.sampled_from([1, 2, 3]))
def test_no_device_keeps_the_dialogue_going_for_ever(bodies: list[bytes], code: int) -> None:
    kinds = {1: "basic", 2: "regular", 3: "extended"}
    dialogue = Identification(kinds[code], frozenset({0}))  # type: ignore[arg-type]
    turns = 0
    try:
        for body in bodies:
            if dialogue.request is None:
                break
            dialogue.feed(bytes([43, 14, code]) + body)
            turns += 1
    except BadObjects:
        pass
    assert turns <= limits.IDENTIFICATION_TURNS_MAX


@given(
    st.dictionaries(st.integers(0, 255), st.binary(max_size=40), min_size=1, max_size=30),
    st.integers(1, 8),
)
def test_objects_arrive_whole_however_they_are_dealt_out(
    objects: dict[int, bytes], each: int
) -> None:
    numbers = sorted(objects)
    deals = [numbers[at : at + each] for at in range(0, len(numbers), each)]
    dialogue = Identification("extended", frozenset(numbers))
    for at, deal in enumerate(deals):
        following = deals[at + 1][0] if at + 1 < len(deals) else None
        told = {number: objects[number] for number in deal}
        dialogue.feed(answer(told, code=3, next_object=following))
    assert dialogue.request is None
    assert dialogue.objects == objects
