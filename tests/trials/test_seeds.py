"""Two hundred seeds of the trial in every test run; more by hand: python -m tests.trials."""

from __future__ import annotations

import pytest

from tests.trials.beside import Beside

# all of them have run before the first is looked at
pytestmark = pytest.mark.timeout(2_400)
SEEDS = range(200)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_seed_neither_misses_nor_invents(seed: int, ran_beside: Beside) -> None:
    ran = ran_beside.seeds()
    assert seed in ran, "it did not run"
    told = [line for says, story in ran[seed]["failures"] for line in (says, *story)]
    assert told == []
