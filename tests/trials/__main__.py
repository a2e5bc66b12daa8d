"""uv run python -m tests.trials --seeds N [--first K] [--seed K] [--hours H]: the trial by hand.

Exit 0 where every seed passed, 1 where one failed; a failing seed prints how to replay it.
"""

from __future__ import annotations

import argparse
import hashlib
import logging
import sys
import time
from collections import Counter

import structlog

from tests.trials.drawing import draw
from tests.trials.oracle import Failure, judge
from tests.trials.trial import Ran, run

SHOWN = 12  # failures of a seed that are printed


def digest(ran: Ran) -> str:
    """One number for the whole journal of a run, byte for byte."""
    return hashlib.sha256(b"\n".join(one.stored for one in ran.events)).hexdigest()


def one_seed(seed: int, hours: float | None = None) -> tuple[list[Failure], int, int]:
    """Failures, polls and events of a seed."""
    ran = run(draw(seed, hours))
    return judge(ran), len(ran.net.asked), len(ran.events)


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.trials", description=__doc__)
    parser.add_argument("--seeds", type=int, default=20, help="how many, from --first on")
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--seed", type=int, help="this one alone")
    parser.add_argument("--hours", type=float, help="in place of the drawn length")
    parser.add_argument("--digest", action="store_true", help="print that of --seed's journal")
    given = parser.parse_args()
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))
    if given.digest:
        print(digest(run(draw(given.seed or 0, given.hours))))
        return 0
    seeds = (
        [given.seed] if given.seed is not None else range(given.first, given.first + given.seeds)
    )
    began, polls, events, failed = time.monotonic(), 0, 0, Counter[int]()
    for number, seed in enumerate(seeds, 1):
        failures, asked, told = one_seed(seed, given.hours)
        polls, events = polls + asked, events + told
        for failure in failures[:SHOWN]:
            print(f"seed {seed}, check {failure.check}: {failure.says}")
        if failures:
            failed[seed] = len(failures)
            extra = f" --hours {given.hours:g}" if given.hours else ""
            print(f"  replay: uv run python -m tests.trials --seed {seed}{extra}")
        if number % 10 == 0:
            print(f"... {number} seeds, {polls} requests, {events} events", file=sys.stderr)
    spent = time.monotonic() - began
    verdict = f"{len(failed)} of {len(seeds)} seeds failed" if failed else "every seed passed"
    print(f"{verdict}: {len(seeds)} seeds, {polls} requests, {events} events, {spent:.0f} s")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
