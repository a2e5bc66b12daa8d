"""uv run python -m tests.benchmarks [WHICH] [--json]: what this costs, beside what else there is.

polling: CPU of an unchanged poll, beside pymodbus's client, a bare protocol and libmodbus.
scale:   five thousand relays beside a hundred, at the same number of reads a second.
latency: from a believed change to each client; every change is a flag that rises and its alarm.
start:   until the nameplate of every relay is known.
journal: five million events beside ten thousand.
plan:    1,000 steps into 200 outages, and the bound below which there is no plan.

Ratios are measured side by side in one run and bound to nothing but that; all else is this
machine's, on this day. Without WHICH all of them, one after the other.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Final

import uvloop

from tests.benchmarks import journal, latency, plan, polling, scale, start
from tests.benchmarks.report import Report
from tests.quiet import quiet

MS: Final = 1_000


def _latency(given: argparse.Namespace) -> Report:
    with tempfile.TemporaryDirectory(prefix="bayroll-bench-") as folder:
        return uvloop.run(  # as bayroll run does
            latency.measure(
                Path(folder),
                given.relays or 1_000,
                given.changes,
                given.apart_ms / MS,
                given.outputs.split(","),
            )
        )


BENCHMARKS: Final[dict[str, Callable[[argparse.Namespace], Report]]] = {
    "polling": lambda given: polling.measure(given.relays or 500, given.seconds, given.rounds),
    "scale": lambda given: scale.measure(given.relays or 5_000, given.seconds),
    "latency": _latency,
    "start": lambda given: start.measure(given.relays or 1_000),
    "journal": lambda given: journal.measure(given.events),
    "plan": lambda given: plan.measure(1_000, 200, given.teams, given.seed),
}


def main() -> int:
    parser = argparse.ArgumentParser(
        prog="python -m tests.benchmarks",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("which", nargs="?", choices=list(BENCHMARKS))
    parser.add_argument("--json", action="store_true", help="the ratios, by their keys")
    parser.add_argument("--relays", type=int, help="of the site")
    parser.add_argument("--seconds", type=float, default=8, help="that each client runs; 8")
    parser.add_argument("--rounds", type=int, default=2, help="of polling: each client so often; 2")
    parser.add_argument("--changes", type=int, default=200, help="of latency; 200")
    parser.add_argument("--apart-ms", type=float, default=0, help="of latency; 0: a burst")
    parser.add_argument("--outputs", default="mqtt", help="of latency: some, or all; mqtt")
    parser.add_argument("--events", type=int, default=5_000_000, help="of journal; 5,000,000")
    parser.add_argument("--teams", type=int, default=2, help="of plan, in each outage; 2")
    parser.add_argument("--seed", type=int, default=1, help="of plan; 1")
    given = parser.parse_args()
    quiet()
    ratios: dict[str, dict[str, float]] = {}
    missing = False
    for name in [given.which] if given.which else BENCHMARKS:
        report = BENCHMARKS[name](given)
        ratios[name] = report.ratios
        missing = missing or bool(report.missing)
        if not given.json:
            print("\n".join(report.lines()), end="\n\n")
    if given.json:
        print(json.dumps(ratios, indent=2))
    return 1 if missing else 0


if __name__ == "__main__":
    sys.exit(main())
