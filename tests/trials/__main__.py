"""uv run python -m tests.trials --seeds N [--first K] [--seed K] [--hours H]: the trial by hand.

Exit 0 where every seed passed, 1 where one failed; a failing seed prints how to replay it and a
short story of what went wrong. --save DIR writes --seed as a scenario that the simulator plays.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

from tests.trials.drawing import draw
from tests.trials.many import Outcome, outcomes
from tests.trials.saving import save

TOLD_EVERY = 10


def main() -> int:
    given = _parser().parse_args()
    seeds = (
        [given.seed] if given.seed is not None else range(given.first, given.first + given.seeds)
    )
    if given.save is not None:
        if given.seed is None:
            print("--save needs --seed K: which seed is to be saved", file=sys.stderr)
            return 2
        print(
            f"saved: play it with  uv run python -m simulator {save(draw(given.seed), given.save)}"
        )
        return 0
    began, requests, events, failed = time.monotonic(), 0, 0, 0
    for number, one in enumerate(outcomes(seeds, given.hours), 1):
        requests, events = requests + one.requests, events + one.events
        failed += bool(one.failures)
        _tell(one, given.hours)
        if given.digest:
            print(f"seed {one.seed}: journal {one.journal}, by subject {one.subjects}")
        if number % TOLD_EVERY == 0:
            print(f"... {number} seeds, {requests} requests, {events} events", file=sys.stderr)
    spent_s = time.monotonic() - began
    verdict = f"{failed} of {len(seeds)} seeds failed" if failed else "every seed passed"
    print(f"{verdict}: {len(seeds)} seeds, {requests} requests, {events} events, {spent_s:.0f} s")
    return 1 if failed else 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m tests.trials", description=__doc__)
    parser.add_argument("--seeds", type=int, default=20, help="how many, from --first on")
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--seed", type=int, help="this one alone")
    parser.add_argument("--hours", type=float, help="in place of the drawn length")
    parser.add_argument("--digest", action="store_true", help="print that of each seed's journal")
    parser.add_argument("--save", type=Path, metavar="DIR", help="a new folder")
    return parser


def _tell(one: Outcome, hours: float | None) -> None:
    for says, story in one.failures:
        print(f"seed {one.seed}, {says}")
        for line in story:
            print(f"    {line}")
    if one.failures:
        extra = "" if hours is None else f" --hours {hours:g}"
        print(f"  replay: uv run python -m tests.trials --seed {one.seed}{extra}")
        print(f"  save:   uv run python -m tests.trials --seed {one.seed} --save DIR", flush=True)


if __name__ == "__main__":
    sys.exit(main())
