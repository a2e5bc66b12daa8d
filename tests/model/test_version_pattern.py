"""Which patterns may meet text from a device."""

from __future__ import annotations

import pytest

from poller.model.version_pattern import faults

MANY = "".join(rf"(?P<g{n}>\d+)\." for n in range(7))


@pytest.mark.parametrize(
    ("pattern", "order"),
    [
        (r"R(?P<a>\d+)\.(?P<b>\d+)(?:-(?P<c>[A-Z]+))?", "a b c"),
        (r"(?P<a>[*+?){]+)", "a"),  # inside a class they repeat nothing
        (r"(?P<a>\)\*\+)", "a"),  # escaped neither
        (r"(?P<a>[\])+]+)", "a"),
        (r"(?P<a>\d{2})(?P<b>\d{2})", "b"),  # a fixed count is no choice
        (r"(?i)rev(?P<a>[a-z])", "a"),
        ("(?:-)" * 9 + "(?P<a>A)", "a"),  # the mark that opens a group makes nothing optional
        (r"(?P<a>\d+?)" + r"-\d*?" * 5 + "1?" * 8, "a"),  # nor does the mark of a lazy repeat
    ],
)
def test_a_plain_pattern_is_taken(pattern: str, order: str) -> None:
    assert faults(pattern, order.split()) == ()


@pytest.mark.parametrize(
    ("pattern", "order", "says"),
    [
        (r"(?P<a>\d+", "a", "not a regular expression: missing ), unterminated subpattern"),
        (r"(?P<a>\d+)", "a b", "order names b, no group of the pattern"),
        (r"(?P<a>\d+)", "a a", "order names a twice"),
        (r"(?P<a>(\d+)+)", "a", "a group is repeated"),
        (r"(?P<a>(?:\d+\.)*)", "a", "a group is repeated"),
        (r"(?P<a>(?:\d+){2,})", "a", "a group is repeated"),
        (r"(?x)(?P<a>(\d+) +)", "a", "the flag x is not taken"),
        (r"(?P<a>(?x:(\d+) +))", "a", "the flag x is not taken"),
        (MANY, "g0", "more than 6 repeats"),
        ("(?P<a>1)" + "1?" * 9, "a", "more than 8 optional parts"),
    ],
)
def test_a_pattern_that_could_go_astray_is_refused(pattern: str, order: str, says: str) -> None:
    found = faults(pattern, order.split())
    assert len(found) == 1
    assert found[0].startswith(says)
