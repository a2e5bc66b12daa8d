"""Some seeds of the trial in every test run; more by hand: python -m tests.trials --seeds N."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from tests.trials.__main__ import digest
from tests.trials.drawing import draw
from tests.trials.oracle import judge
from tests.trials.trial import run

SEEDS = range(12)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_seed_neither_misses_nor_invents(seed: int) -> None:
    failures = judge(run(draw(seed)))
    assert [f"check {one.check}: {one.says}" for one in failures] == []


def test_the_same_seed_gives_the_same_journal() -> None:
    assert digest(run(draw(3, 0.5))) == digest(run(draw(3, 0.5)))


def test_the_order_of_hashes_changes_nothing() -> None:
    """Sets and dicts of another order, as another process has them."""
    found = {
        subprocess.run(
            [sys.executable, "-m", "tests.trials", "--seed", "4", "--hours", "0.5", "--digest"],
            env=os.environ | {"PYTHONHASHSEED": number},
            capture_output=True,
            text=True,
            check=True,
        ).stdout.splitlines()[-1]
        for number in ("1", "2", "77")
    }
    assert len(found) == 1
