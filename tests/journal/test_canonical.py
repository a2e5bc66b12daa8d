"""Canonical JSON: one spelling for one value."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from poller.model.canonical import encode, stamp, unstamp
from tests.journal.made import MOMENTS

PLAIN = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(),
    lambda inside: st.lists(inside, max_size=4) | st.dictionaries(st.text(), inside, max_size=4),
    max_leaves=12,
)


@given(PLAIN)
def test_what_is_encoded_is_read_back_as_it_was(value: Any) -> None:
    assert json.loads(encode(value)) == value


@given(st.dictionaries(st.text(), st.integers(), min_size=2))
def test_the_order_of_keys_leaves_no_trace(value: dict[str, int]) -> None:
    assert encode(value) == encode(dict(reversed(value.items())))


@given(PLAIN)
def test_reading_and_writing_again_changes_no_byte(value: Any) -> None:
    once = encode(value)
    assert encode(json.loads(once)) == once


@given(PLAIN)
def test_no_space_and_no_line_end_outside_of_text(value: Any) -> None:
    in_text = "".join(one for one in _texts(value))
    assert encode(value).count(b" ") == in_text.count(" ")
    assert b"\n" not in encode(value)


def _texts(value: Any) -> list[str]:
    if isinstance(value, str):
        return [value]
    if isinstance(value, dict):
        return [*value, *(text for one in value.values() for text in _texts(one))]
    if isinstance(value, list):
        return [text for one in value for text in _texts(one)]
    return []


@pytest.mark.parametrize("value", [1.0, [0.5], {"a": {"b": [float("nan")]}}, ((2.5,),)])
def test_a_float_is_refused_however_deep(value: Any) -> None:
    with pytest.raises(TypeError, match="float"):
        encode(value)


def test_half_a_surrogate_pair_is_kept() -> None:
    odd_byte_from_a_terminal = b"Kn\xf6del".decode(errors="surrogateescape")
    assert json.loads(encode(odd_byte_from_a_terminal)) == odd_byte_from_a_terminal


@given(MOMENTS)
def test_a_moment_is_read_back_as_it_was(at: datetime) -> None:
    assert unstamp(stamp(at)) == at


@given(MOMENTS, MOMENTS)
def test_stamps_sort_as_moments_do(one: datetime, other: datetime) -> None:
    assert (stamp(one) < stamp(other)) == (one < other)


def test_a_stamp_is_cut_to_the_millisecond() -> None:
    at = datetime(987, 1, 2, 3, 4, 5, 678_999, tzinfo=UTC)
    assert stamp(at) == "0987-01-02T03:04:05.678Z"
