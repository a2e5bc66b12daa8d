"""Every planted bug still applies to the program as it is, and the trial finds it."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest

from tests.trials.beside import Beside
from tests.trials.bugs import BUGS, Bug, planted

# all of them run before the first is looked at
pytestmark = pytest.mark.timeout(2_400)


@pytest.mark.parametrize("bug", BUGS, ids=lambda bug: bug.name)
def test_it_applies(bug: Bug) -> None:
    spec = importlib.util.find_spec(bug.module)
    assert spec is not None
    assert spec.origin is not None
    text = Path(spec.origin).read_text()
    compile(planted(bug, text), spec.origin, "exec")


@pytest.mark.parametrize("planted_bug", BUGS, ids=lambda bug: bug.name)
def test_it_is_found(planted_bug: Bug, ran_beside: Beside) -> None:
    score = ran_beside.bugs()[planted_bug.name]
    assert score["crashed"] == []
    assert score["found"]
