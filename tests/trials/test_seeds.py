"""Two hundred seeds of the trial in every test run; more by hand: python -m tests.trials."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from tests.trials.beside import Beside

# all of them have run before the first is looked at
pytestmark = pytest.mark.timeout(2_400)
SEEDS = range(200)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_seed_neither_misses_nor_invents(seed: int, ran_beside: Beside) -> None:
    ran = ran_beside.seeds()
    assert seed in ran, "it did not run"
    told = [line for says, story in ran[seed].failures for line in (says, *story)]
    assert told == []


def test_the_order_of_hashes_changes_nothing() -> None:
    """Sets and dicts of another order, as another process has them: the same journal, in octets."""
    command = [sys.executable, "-m", "tests.trials", "--seed", "4", "--hours", "0.5", "--digest"]
    found = {
        subprocess.run(
            command,
            env=os.environ | {"PYTHONHASHSEED": number},
            capture_output=True,
            text=True,
            check=True,
        ).stdout.splitlines()[0]
        for number in ("1", "2", "77")
    }
    assert len(found) == 1
