"""python -m tests.trials.score [--seeds N] [--bug NAME]: how many seeds find each planted bug.

Each bug runs in a process of its own. Exit 1 where a bug is found by no seed.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from typing import Any

from tests.trials.bugs import BUGS, plant


def found_by(name: str, first: int, seeds: int, *, until_found: bool) -> dict[str, Any]:
    """Runs seeds with the bug; which of them failed one of its checks. In this process.

    until_found: only until one has, and the one that is known to find it before the others.
    """
    bug = plant(name)
    from tests.quiet import quiet
    from tests.trials.drawing import draw
    from tests.trials.oracle import judge
    from tests.trials.trial import run

    quiet()
    finding: list[int] = []
    crashed: list[str] = []
    says = ""
    tried = 0
    order = list(range(first, first + seeds))
    if until_found:
        order.sort(key=lambda seed: seed != bug.finder)
    for seed in order:
        tried += 1
        try:
            failures = [one for one in judge(run(draw(seed))) if one.check in bug.checks]
        except Exception as reason:
            crashed.append(f"seed {seed}: {reason!r}")
            continue
        if failures:
            finding.append(seed)
            says = says or f"check {failures[0].check}: {failures[0].says}"
            if until_found:
                break
    return {"bug": name, "tried": tried, "found": finding, "crashed": crashed, "says": says}


def apart(name: str, first: int, seeds: int, *, until_found: bool) -> dict[str, Any]:
    """found_by in a process of its own."""
    command = [sys.executable, "-m", "tests.trials.score", "--one", name]
    command += ["--first", str(first), "--seeds", str(seeds)]
    command += ["--until-found"] if until_found else []
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        return {"bug": name, "tried": 0, "found": [], "crashed": [done.stderr[-500:]], "says": ""}
    result: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return result


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.trials.score", description=__doc__)
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--bug", help="this one alone")
    parser.add_argument("--one", help=argparse.SUPPRESS)
    parser.add_argument("--until-found", action="store_true", help="stop at the first seed")
    given = parser.parse_args()
    if given.one is not None:
        result = found_by(given.one, given.first, given.seeds, until_found=given.until_found)
        print(json.dumps(result))
        return 0
    asked = [bug.name for bug in BUGS if given.bug in (None, bug.name)]
    missed = 0
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        for result in pool.map(
            lambda name: apart(name, given.first, given.seeds, until_found=given.until_found), asked
        ):
            missed += not result["found"]
            print(
                f"{result['bug']}: {len(result['found'])} of {result['tried']} seeds"
                f"{'; crashed: ' + result['crashed'][0] if result['crashed'] else ''}\n"
                f"    {result['says'][:150]}",
                flush=True,
            )
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
