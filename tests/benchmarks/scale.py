"""Five thousand relays against a hundred, at the same number of reads a second."""

from __future__ import annotations

import sys
from typing import Any, Final

from tests.benchmarks import load
from tests.benchmarks.report import Report, Wanted

FEW: Final = 100
WARM_S: Final = 3.0
US: Final = 1_000_000


def measure(relays: int, lasts_s: float, few: int = FEW) -> Report:
    """relays: each is read every second; few of them as often as makes the same sum."""
    report = Report(
        title=f"{relays} relays read every second, and {few} that are read as often together",
        columns=("relays", "CPU per read", "reads per second", "memory", "late, 99th"),
        wanted={"cpu_many_over_few": Wanted(bound=1.3)},
    )
    found: dict[int, dict[str, Any]] = {}
    for count in (few, relays, few):
        print(f"... {count} relays", file=sys.stderr)
        with load.server(count) as port:
            every_s = count / relays
            told = load.client(
                "bayroll", count, port, status_s=every_s, warm_s=WARM_S, lasts_s=lasts_s
            )
        before = found.get(count)
        found[count] = told if before is None else _both(before, told)
    for count, one in found.items():
        report.rows.append(
            (
                f"{count}",
                f"{US * one['cpu_s'] / one['reads']:.1f} us",
                f"{one['reads'] / one['wall_s']:,.0f}",
                f"{one['rss_kb'] / 1_024:.0f} MiB",
                f"{1_000 * one['late_p99_s']:.0f} ms",
            )
        )
    many, some = found[relays], found[few]
    report.ratios["cpu_many_over_few"] = (many["cpu_s"] / many["reads"]) / (
        some["cpu_s"] / some["reads"]
    )
    per_relay = (many["rss_kb"] - some["rss_kb"]) / (relays - few)
    report.ratios["kilobytes_a_relay"] = per_relay
    report.wanted["kilobytes_a_relay"] = Wanted(bound=15)
    report.ratios["late_p99_s"] = many["late_p99_s"]
    report.wanted["late_p99_s"] = Wanted(bound=0.2)
    return report


def _both(one: dict[str, Any], other: dict[str, Any]) -> dict[str, Any]:
    """Before and after, so that a machine that grows slower meanwhile favours nobody."""
    summed = {key: one[key] + other[key] for key in ("reads", "cpu_s", "wall_s")}
    return summed | {key: max(one[key], other[key]) for key in ("rss_kb", "late_p99_s")}
