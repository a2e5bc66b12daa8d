"""The wait before the next try."""

from __future__ import annotations

from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from poller.model.backoff import backoff_s


def wait(failures: int, seed: int = 1) -> float:
    return backoff_s(failures, first_s=1.0, cap_s=30.0, random=Random(seed))


@pytest.mark.parametrize(
    ("failures", "most"), [(1, 1), (2, 2), (3, 4), (4, 8), (5, 16), (6, 30), (7, 30), (10**9, 30)]
)
def test_it_doubles_up_to_the_cap(failures: int, most: float) -> None:
    waits = [wait(failures, seed) for seed in range(200)]
    assert most / 2 <= min(waits) < 0.55 * most
    assert 0.95 * most < max(waits) <= most


def test_without_a_failure_there_is_no_wait() -> None:
    assert wait(0) == 0


@given(st.integers(1, 10_000), st.floats(0.01, 100), st.floats(0.01, 10_000), st.integers(0, 2**32))
def test_it_is_never_over_the_cap_and_never_nothing(
    failures: int, first_s: float, cap_s: float, seed: int
) -> None:
    waited = backoff_s(failures, first_s=first_s, cap_s=cap_s, random=Random(seed))
    assert 0 < waited <= cap_s


def test_devices_that_fail_together_do_not_come_back_together() -> None:
    assert len({wait(3, seed) for seed in range(50)}) == 50
