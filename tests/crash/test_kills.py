"""Killed ten times while relays change and people give commands; nothing acknowledged is lost."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.crash import kills


@pytest.mark.timeout(300)  # a minute, on a machine that does nothing else
def test_nothing_is_lost_or_invented_over_ten_kills(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BAYROLL_RUNTIME_DIR", str(tmp_path / "run"))
    verdict = kills.trial(tmp_path, seed=7, kills=10)
    assert verdict.failures == [], str(verdict)
