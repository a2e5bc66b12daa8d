"""A thousand events wait for a broker that was stopped; they arrive in order, each once."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.crash import broker


@pytest.mark.timeout(300)
def test_a_thousand_that_waited_arrive_once_and_in_order(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BAYROLL_RUNTIME_DIR", str(tmp_path / "run"))
    ran = broker.trial(tmp_path)
    assert ran.failures == [], str(ran)
