"""Every planted bug still applies to the program as it is."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest

from tests.trials.bugs import BUGS, Bug, planted

BESIDE = [bug.beside for bug in BUGS if bug.beside is not None]


@pytest.mark.parametrize("bug", [*BUGS, *BESIDE], ids=lambda bug: bug.name)
def test_it_applies(bug: Bug) -> None:
    spec = importlib.util.find_spec(bug.module)
    assert spec is not None
    assert spec.origin is not None
    text = Path(spec.origin).read_text()
    compile(planted(bug, text), spec.origin, "exec")
