"""uv run python -m tests.crash [--kills N] [--seed K]: crashes by hand, on the real thing.

Ends with a one-line verdict; exit 0 where nothing that was acknowledged was lost, else 1.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from pathlib import Path

from tests.crash import kills


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.crash", description=__doc__)
    parser.add_argument("--kills", type=int, default=10, help="of the poller, with SIGKILL")
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    began = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="bayroll-crash-") as folder:
        os.environ["BAYROLL_RUNTIME_DIR"] = str(Path(folder) / "run")
        verdict = kills.trial(Path(folder), given.seed, given.kills, progress)
    for failure in verdict.failures:
        print(failure)
    print(f"{verdict} ({time.monotonic() - began:.0f} s)")
    return 1 if verdict.failures else 0


def progress(says: str) -> None:
    print(f"... {says}", file=sys.stderr, flush=True)


if __name__ == "__main__":
    sys.exit(main())
