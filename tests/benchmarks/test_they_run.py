"""Each benchmark still runs, small: that it does is looked at here, and no figure is."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.benchmarks import journal, latency, plan, polling, scale, start
from tests.benchmarks.report import Report, Wanted
from tests.publishing.brokers import MOSQUITTO

SMALL: dict[str, Callable[[], Report]] = {
    "polling": lambda: polling.measure(10, 0.3, 1),
    "scale": lambda: scale.measure(20, 0.5, few=5),
    "start": lambda: start.measure(10, ["direct"]),
    "journal": lambda: journal.measure(1_000, 300),
    "plan": lambda: plan.measure(20, 12, 2, 1),
}


@pytest.mark.parametrize("name", SMALL)
def test_it_runs(name: str) -> None:
    report = SMALL[name]()
    assert report.ratios
    assert all(math.isfinite(ratio) for ratio in report.ratios.values())
    assert report.wanted.keys() <= report.ratios.keys()


@pytest.mark.skipif(MOSQUITTO is None, reason="Mosquitto is not installed")
async def test_every_change_arrives(tmp_path: Path) -> None:
    report = await latency.measure(tmp_path, 30, 20, 0.0, ["mqtt"])
    assert report.missing == []


def test_a_report_tells_ratios_beside_what_is_wanted() -> None:
    report = Report(
        title="t", columns=("who", "how many"), wanted={"a_over_b": Wanted(bound=3, least=True)}
    )
    report.rows.append(("a", "1"))
    report.ratios["a_over_b"] = 2.5
    assert report.lines() == [
        "t",
        "who  how many",
        "a           1",
        "a_over_b: 2.50   (wanted: at least 3)",
    ]
