"""How far a wall clock was set: it is held against a clock that never is."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from poller.edges.clock import Steps
from poller.judging.findings import STEP

NOON = datetime(2026, 3, 1, 12, tzinfo=UTC)


class Hands:
    """A clock that a test turns."""

    def __init__(self) -> None:
        self.gone_s, self.set_s = 0.0, 0.0

    def mono(self) -> float:
        return 5_000.0 + self.gone_s

    def utc(self) -> datetime:
        return NOON + timedelta(seconds=self.gone_s + self.set_s)


@pytest.mark.parametrize(
    ("says", "gone_s", "set_s", "by_ms"),
    [
        ("set back", 10.0, -7_200.0, -7_200_000),
        ("set forward", 0.0, 3_600.5, 3_600_500),
        ("left alone", 86_400.0, 0.0, None),
        ("disciplined", 10.0, 0.9 * STEP.total_seconds(), None),
        ("by just so much that it counts", 10.0, STEP.total_seconds(), 2_000),
    ],
)
def test_a_step_is_what_the_wall_clock_made_beyond_the_time_that_passed(
    says: str, gone_s: float, set_s: float, by_ms: int | None
) -> None:
    clock = Hands()
    steps = Steps(clock)
    clock.gone_s, clock.set_s = gone_s, set_s
    assert steps.by_ms() == by_ms


def test_each_step_is_told_once() -> None:
    clock = Hands()
    steps = Steps(clock)
    clock.set_s = 60.0
    assert [steps.by_ms(), steps.by_ms()] == [60_000, None]
