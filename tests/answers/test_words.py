"""How values read."""

from __future__ import annotations

import pytest

from poller.answers.words import age_s, said, span
from poller.model.attribute_words import attribute
from tests.answers.world import NOW, ago


@pytest.mark.parametrize(
    ("seconds", "reads"),
    [
        (0, "0 s"),
        (40, "40 s"),
        (60, "1 min"),
        (61, "1 min 1 s"),
        (3_600, "1 h"),
        (3_659, "1 h"),  # the two largest units next to each other
        (7_500, "2 h 5 min"),
        (86_399, "23 h 59 min"),
        (273_600, "3 d 4 h"),
        (-5, "0 s"),
    ],
)
def test_a_span_of_time(seconds: int, reads: str) -> None:
    assert span(seconds) == reads


@pytest.mark.parametrize(
    ("given", "ends"), [("a", "a."), ("a.", "a."), ("a? ", "a?"), ("", "no more is said.")]
)
def test_what_is_said_ends_with_one_stop(given: str, ends: str) -> None:
    assert said(given) == ends


@pytest.mark.parametrize(
    ("name", "reads"),
    [
        ("swRev", "firmware"),
        ("components.boot.swRev", "boot firmware"),
        ("components.card.hwRev", "card hardware version"),
        ("newAttribute", "newAttribute"),
    ],
)
def test_the_name_of_an_attribute(name: str, reads: str) -> None:
    assert attribute(name) == reads


def test_an_age_is_whole_seconds_and_never_below_none() -> None:
    assert [age_s(at, NOW) for at in (ago(seconds=12.7), ago(seconds=-60), None)] == [12, 0, None]
