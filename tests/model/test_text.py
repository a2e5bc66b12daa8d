"""Text that is shown can't move a cursor, ring a bell or turn a line round."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from poller.model import limits
from poller.model.text import CUT, shown


@pytest.mark.parametrize(
    ("text", "looks"),
    [
        ("V2.10.00", "V2.10.00"),
        ("Umspannwerk Süd 110 kV – Ω", "Umspannwerk Süd 110 kV – Ω"),
        ("a\x00b", r"a\x00b"),
        ("\x1b[2J", r"\x1b[2J"),  # clears a terminal
        ("a\r\nb\tc", r"a\x0d\x0ab\x09c"),
        ("\x7f\x9b", r"\x7f\x9b"),  # delete, and the one-octet form of ESC [
        ("\u202e00.01.2V", r"\u202e00.01.2V"),  # right-to-left override
        ("a\u200bb\ufeff", r"a\u200bb\ufeff"),  # no width
        ("a\u2028b\u2029c", r"a\u2028b\u2029c"),
        ("\xad", r"\xad"),  # soft hyphen
        ("\U000e0041", r"\U000e0041"),  # a tag character
        ("\ud800", r"\ud800"),  # half of a pair can't be written to a terminal
        ("\ue000", r"\ue000"),
        (r"C:\x07", r"C:\x07"),  # a backslash stays
        ("", ""),
    ],
)
def test_how_a_text_looks(text: str, looks: str) -> None:
    assert shown(text) == looks


@given(st.text(st.characters(exclude_categories=[])))
def test_nothing_without_a_look_comes_through(text: str) -> None:
    found = {unicodedata.category(character) for character in shown(text)}
    assert found.isdisjoint({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})


@given(st.text(st.characters(exclude_categories=[]), max_size=60), st.integers(1, 40))
def test_it_is_never_longer_than_asked(text: str, most: int) -> None:
    assert len(shown(text, most)) <= most


@given(st.text(st.characters(exclude_categories=[]), max_size=60), st.integers(1, 40))
def test_showing_twice_changes_nothing(text: str, most: int) -> None:
    once = shown(text, most)
    assert shown(once, most) == once


@pytest.mark.parametrize(
    ("text", "most", "looks"),
    [
        ("abcde", 5, "abcde"),
        ("abcdef", 5, "abcd…"),
        ("abc\x07", 7, r"abc\x07"),
        ("abc\x07", 6, "abc…"),  # an escape is never cut through
    ],
)
def test_what_is_left_out_is_marked(text: str, most: int, looks: str) -> None:
    assert shown(text, most) == looks


def test_a_huge_text_is_cut_at_the_usual_bound() -> None:
    assert shown("x" * 10_000_000) == "x" * (limits.TEXT_MAX - 1) + CUT
