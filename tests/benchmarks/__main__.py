"""uv run python -m tests.benchmarks latency: from a believed change to each client.

A real service, journal and outputs, each read by a client that is not ours. Every change is a flag
of another relay that rises, so that an alarm comes. Beside each client's time stands how many times
as long as the commit that it is; nothing is told before it is durable, so that 1.0 is the least.
What is measured is this machine's, on this day; hold two versions against each other in one run.

uv run python -m tests.benchmarks plan [--teams N] [--seed N]: 1,000 steps into 200 outages. Exit 1
where the plan is more than 5 % above the bound below which there is none.
"""

from __future__ import annotations

import argparse
import asyncio
import sys
import tempfile
from math import inf
from pathlib import Path
from statistics import median, quantiles
from typing import Final

from tests.benchmarks import plan
from tests.benchmarks.latency import measure
from tests.quiet import quiet

MS: Final = 1_000


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument("which", choices=["latency", "plan"])
    parser.add_argument("--relays", type=int, default=300, help="of the site; 300 unless given")
    parser.add_argument("--changes", type=int, help="of as many relays; all unless given")
    parser.add_argument("--apart-ms", type=float, default=20, help="20 unless given; 0: a burst")
    parser.add_argument("--teams", type=int, default=2, help="of a plan, in each outage; 2")
    parser.add_argument("--seed", type=int, default=1, help="of a plan; 1 unless given")
    given = parser.parse_args()
    if given.which == "plan":
        return plan.measure(1_000, 200, given.teams, given.seed)
    changes = given.relays if given.changes is None else given.changes
    if not 100 <= changes <= given.relays <= 2_000:
        parser.error("100 changes at least, no more than there are relays, of which 2000 at most")
    quiet()
    with tempfile.TemporaryDirectory(prefix="bayroll-bench-") as folder:
        found = asyncio.run(measure(Path(folder), given.relays, changes, given.apart_ms / MS))
    durable = median(found["durable"])
    print(
        f"{changes} changes, of {given.relays} relays: believed, then durable, then with a client"
    )
    print(f"{'':16}{'median':>10}{'99th':>10}   {'times the commit, median'}")
    for name, times in found.items():
        middle, last = (
            (median(times), quantiles(times, n=100)[-1]) if len(times) > 1 else (inf, inf)
        )
        print(f"{name:16}{MS * middle:7.1f} ms{MS * last:7.1f} ms   {middle / durable:.1f}")
    missing = [name for name, times in found.items() if len(times) < changes]
    if missing:
        print(f"not every change arrived at: {', '.join(missing)}")
    return 1 if missing else 0


if __name__ == "__main__":
    sys.exit(main())
