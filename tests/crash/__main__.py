"""Crashes by hand, on the real thing: a poller that is killed, a full disk, a broker that was away,
a damaged journal.

Ends with a one-line verdict; exit 0 where nothing that was acknowledged was lost, else 1.
"""

from __future__ import annotations

import argparse
import os
import random
import sys
import tempfile
import time
from pathlib import Path

from tests.crash import broker, damages, full_disk, kills


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.crash", description=__doc__)
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--kills", type=int, default=10, help="of the poller, with SIGKILL")
    what.add_argument("--broken", type=int, metavar="N", help="damages of a journal, drawn")
    what.add_argument("--full-disk", action="store_true", help="on a small disk; needs root")
    what.add_argument("--broker", action="store_true", help="a thousand events wait for it")
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    began = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="bayroll-crash-") as name:
        folder = Path(name)
        os.environ["BAYROLL_RUNTIME_DIR"] = str(folder / "run")
        failures, verdict = _tried(given, folder)
        if failures and (folder / "poller.log").exists():
            print((folder / "poller.log").read_text()[-4_000:], file=sys.stderr)
    for failure in failures:
        print(failure)
    print(f"{verdict} ({time.monotonic() - began:.0f} s)")
    return 1 if failures else 0


def _tried(given: argparse.Namespace, folder: Path) -> tuple[list[str], str]:
    if given.full_disk:
        ran = full_disk.trial(folder, progress)
        return ran.failures, f"full disk: {ran}"
    if given.broker:
        waited = broker.trial(folder, progress)
        return waited.failures, f"broker: {waited}"
    if given.broken is not None:
        return _broken(given.broken, given.seed, folder)
    verdict = kills.trial(folder, given.seed, given.kills, progress)
    return verdict.failures, str(verdict)


def _broken(count: int, seed: int, folder: Path) -> tuple[list[str], str]:
    """Each damage with a seed of its own; a failure names both."""
    chance, built = random.Random(seed), damages.build(folder)
    failures: list[str] = []
    for number in range(1, count + 1):
        what = chance.choice(sorted(damages.TABLE))
        failures += damages.suffer(built, folder, what, chance.randrange(10**6))
        if number % 50 == 0:
            progress(f"{number} of {count} damages")
    end = f"{len(failures)} FAILURES" if failures else "each was told, or all was there"
    return failures, f"seed {seed}: {count} damages: {end}"


def progress(says: str) -> None:
    print(f"... {says}", file=sys.stderr, flush=True)


if __name__ == "__main__":
    sys.exit(main())
