"""uv run python -m tests.benchmarks latency [--changes N]: from a believed change to each client.

A real service, journal and outputs, each read by a client that is not ours. Every change is a flag
of another relay that rises, so that an alarm comes. Beside each client's time stands how many times
as long as the commit that it is; nothing is told before it is durable, so that 1.0 is the least.
What is measured is this machine's, on this day; hold two versions against each other in one run.
"""

from __future__ import annotations

import argparse
import asyncio
import sys
import tempfile
from pathlib import Path
from statistics import median, quantiles
from typing import Final

from tests.benchmarks.latency import measure
from tests.quiet import quiet

MS: Final = 1_000


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument("which", choices=["latency"])
    parser.add_argument("--changes", type=int, default=300, help="how many; 100 at least")
    given = parser.parse_args()
    if not 100 <= given.changes <= 2_000:
        parser.error("--changes: 100 to 2000")
    quiet()
    with tempfile.TemporaryDirectory(prefix="bayroll-bench-") as folder:
        found = asyncio.run(measure(Path(folder), given.changes))
    durable = median(found["durable"])
    print(f"{given.changes} changes, each believed, then durable, then with each client")
    print(f"{'':16}{'median':>10}{'99th':>10}   {'times the commit, median'}")
    for name, times in found.items():
        line = f"{MS * median(times):7.1f} ms{MS * quantiles(times, n=100)[-1]:7.1f} ms"
        print(f"{name:16}{line}   {median(times) / durable:.1f}")
    missing = [name for name, times in found.items() if len(times) < given.changes]
    if missing:
        print(f"not every change arrived at: {', '.join(missing)}")
    return 1 if missing else 0


if __name__ == "__main__":
    sys.exit(main())
