"""Seeds and planted bugs in a process of their own, at the lowest priority, beside other tests.

Most tests wait for something more than they work, so that a core would be idle meanwhile. The
process writes a line of JSON for each seed and each bug into a file; who needs them waits for its
end.
"""

from __future__ import annotations

import dataclasses
import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Iterable
from functools import cached_property
from pathlib import Path
from typing import Any, Final

from tests.trials.many import Outcome, outcomes
from tests.trials.score import apart

BUG_SEEDS: Final = 24  # those that a bug may take until it is found


class Beside:
    def __init__(self, seeds: Iterable[int], bugs: Iterable[str]) -> None:
        descriptor, name = tempfile.mkstemp(prefix="bayroll-seeds-")
        os.close(descriptor)
        self._told = Path(name)
        asked = json.dumps({"seeds": list(seeds), "bugs": list(bugs)})
        command = [sys.executable, "-m", "tests.trials.beside", name, asked]
        self._process = subprocess.Popen(
            command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, start_new_session=True
        )

    def seeds(self) -> dict[int, Outcome]:
        """By seed; what the process did not get to is not among them."""
        return {one["seed"]: _outcome(one) for one in self._lines if "seed" in one}

    def bugs(self) -> dict[str, dict[str, Any]]:
        """The score of each, by its name."""
        return {one["bug"]: one for one in self._lines if "bug" in one}

    @cached_property
    def _lines(self) -> list[dict[str, Any]]:
        self._process.wait()
        return [json.loads(line) for line in self._told.read_text().splitlines()]

    def end(self) -> None:
        if self._process.poll() is None:
            os.killpg(self._process.pid, 9)  # with the processes that it shares its seeds out to
            self._process.wait()
        self._told.unlink(missing_ok=True)


def _outcome(said: dict[str, Any]) -> Outcome:
    failures = tuple((says, tuple(story)) for says, story in said["failures"])
    return Outcome(**{**said, "failures": failures})


def main() -> None:
    os.nice(19)
    name, given = sys.argv[1:]
    asked = json.loads(given)
    with Path(name).open("w") as told:
        for bug in asked["bugs"]:
            score = apart(bug, 0, BUG_SEEDS, until_found=True)
            print(json.dumps(score), file=told, flush=True)
        for one in outcomes(asked["seeds"], cores_left=1):
            print(json.dumps(dataclasses.asdict(one)), file=told, flush=True)


if __name__ == "__main__":
    main()
