"""Every planted bug still applies to the program as it is, and the trial finds it."""

from __future__ import annotations

import importlib.util
import os
from collections.abc import Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from tests.trials.bugs import BUGS, Bug, planted
from tests.trials.score import apart

# all of them run before the first is looked at
pytestmark = pytest.mark.timeout(2_400)
SEEDS_MAX = 24  # those that a bug may take until it is found


@pytest.mark.parametrize("bug", BUGS, ids=lambda bug: bug.name)
def test_it_applies(bug: Bug) -> None:
    spec = importlib.util.find_spec(bug.module)
    assert spec is not None
    assert spec.origin is not None
    text = Path(spec.origin).read_text()
    compile(planted(bug, text), spec.origin, "exec")


@pytest.fixture(scope="module")
def scores(request: pytest.FixtureRequest) -> Iterator[Mapping[str, Future[dict[str, Any]]]]:
    """Those that are asked for, side by side in processes of their own."""
    asked = [item.callspec.params for item in request.session.items if hasattr(item, "callspec")]
    bugs = [params["planted_bug"] for params in asked if "planted_bug" in params]
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        yield {
            bug.name: pool.submit(apart, bug.name, 0, SEEDS_MAX, until_found=True) for bug in bugs
        }


@pytest.mark.parametrize("planted_bug", BUGS, ids=lambda bug: bug.name)
def test_it_is_found(planted_bug: Bug, scores: Mapping[str, Future[dict[str, Any]]]) -> None:
    score = scores[planted_bug.name].result()
    assert score["crashed"] == []
    assert score["found"]
