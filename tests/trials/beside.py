"""Seeds in a process of their own, at the lowest priority, while other tests run.

Most tests wait for something more than they work, so that a core would be idle meanwhile. The
process writes a line of JSON for each seed into a file; who needs them waits for its end.
"""

from __future__ import annotations

import dataclasses
import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Iterable
from pathlib import Path

from tests.trials.many import Outcome, outcomes


class Beside:
    def __init__(self, seeds: Iterable[int]) -> None:
        descriptor, name = tempfile.mkstemp(prefix="bayroll-seeds-")
        os.close(descriptor)
        self._told = Path(name)
        command = [sys.executable, "-m", "tests.trials.beside", name, *map(str, seeds)]
        self._process = subprocess.Popen(
            command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, start_new_session=True
        )

    def wait(self) -> dict[int, Outcome]:
        """By seed; what the process did not get to is not among them."""
        self._process.wait()
        found = [_outcome(line) for line in self._told.read_text().splitlines()]
        return {one.seed: one for one in found}

    def end(self) -> None:
        if self._process.poll() is None:
            os.killpg(self._process.pid, 9)  # with the processes that it shares its seeds out to
            self._process.wait()
        self._told.unlink(missing_ok=True)


def _outcome(line: str) -> Outcome:
    said = json.loads(line)
    said["failures"] = tuple((says, tuple(story)) for says, story in said["failures"])
    return Outcome(**said)


def main() -> None:
    os.nice(19)
    name, *seeds = sys.argv[1:]
    with Path(name).open("w") as told:
        for one in outcomes([int(seed) for seed in seeds], cores_left=1):
            print(json.dumps(dataclasses.asdict(one)), file=told, flush=True)


if __name__ == "__main__":
    main()
