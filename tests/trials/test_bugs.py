"""The trial finds every planted bug."""

from __future__ import annotations

import pytest

from tests.trials.beside import Beside
from tests.trials.bugs import BUGS, Bug

# all of them run before the first is looked at
pytestmark = pytest.mark.timeout(2_400)


@pytest.mark.parametrize("planted_bug", BUGS, ids=lambda bug: bug.name)
def test_it_is_found(planted_bug: Bug, ran_beside: Beside) -> None:
    score = ran_beside.bugs()[planted_bug.name]
    assert score["crashed"] == []
    assert score["found"]
