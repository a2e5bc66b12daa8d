"""The shortest permitted way: hand-worked cases, and all ways tried on small drawn lists."""

from __future__ import annotations

from itertools import pairwise, permutations
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from poller.planning.ways import way
from poller.site.approved import Rule
from tests.site.approved_lists import rule

VERSIONS = ("1", "2", "3", "4", "5")


def listed(*steps: tuple[str, str, int], **more: Any) -> Rule:
    made = [
        {
            "from": before,
            "to": after,
            "direction": "update" if before < after else "rollback",
            "settings_survive": True,
            "can_be_undone": True,
            "minutes": minutes,
            "retry_allowed": True,
        }
        for before, after, minutes in steps
    ]
    return rule(target="5", approved=list(VERSIONS), steps=made, **more)


CASES: list[tuple[list[tuple[str, str, int]], str, list[str] | None]] = [
    ([("1", "5", 60)], "1", ["5"]),
    ([("1", "2", 5), ("2", "5", 5)], "1", ["2", "5"]),
    # fewer steps before fewer minutes
    ([("1", "2", 5), ("2", "5", 5), ("1", "5", 60)], "1", ["5"]),
    # then fewer minutes
    ([("1", "2", 30), ("2", "5", 30), ("1", "3", 20), ("3", "5", 20)], "1", ["3", "5"]),
    # back first where only that is permitted
    ([("4", "2", 5), ("2", "5", 5)], "4", ["2", "5"]),
    ([("1", "2", 5), ("2", "1", 5)], "1", None),
    ([], "1", None),
    ([("2", "5", 5)], "1", None),
    ([], "5", []),
    ([], "V05.0", []),  # the same version, spelled otherwise
    ([("01.0", "5", 5)], "V1", ["5"]),
]


@pytest.mark.parametrize(("steps", "present", "expected"), CASES)
def test_the_way_with_the_fewest_steps_and_then_minutes(
    steps: list[tuple[str, str, int]], present: str, expected: list[str] | None
) -> None:
    found = way(listed(*steps), present, "5")
    assert (None if found is None else [step.to for step in found]) == expected


def test_no_way_leads_through_a_version_that_was_withdrawn() -> None:
    gone = [{"version": "2", "why": "it may not trip", "on": "2026-01-01"}]
    steps = (("1", "2", 5), ("2", "5", 5))
    assert way(listed(*steps, withdrawn=gone), "1", "5") is None


drawn = st.lists(
    st.tuples(st.sampled_from(VERSIONS), st.sampled_from(VERSIONS), st.integers(1, 60)).filter(
        lambda step: step[0] != step[1]
    ),
    max_size=8,
    unique_by=lambda step: step[:2],
)


@given(drawn, st.sampled_from(VERSIONS[:-1]))
def test_no_way_is_shorter_among_all_that_there_are(
    steps: list[tuple[str, str, int]], present: str
) -> None:
    minutes = {(before, after): took for before, after, took in steps}
    best: tuple[int, int] | None = None
    others = [version for version in VERSIONS if version not in (present, "5")]
    for length in range(len(others) + 1):
        for between in permutations(others, length):
            stops = [present, *between, "5"]
            pairs = list(pairwise(stops))
            if all(pair in minutes for pair in pairs):
                this = (len(pairs), sum(minutes[pair] for pair in pairs))
                best = this if best is None else min(best, this)
    found = way(listed(*steps), present, "5")
    told = None if found is None else (len(found), sum(step.minutes for step in found))
    assert told == best
