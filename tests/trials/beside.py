"""Seeds and planted bugs in a process of their own, at the lowest priority, beside other tests.

Most tests wait for something more than they work, so that a core would be idle meanwhile. The
process writes a line of JSON for each seed and each bug into a file that it holds locked; who needs
them, in whatever process, waits until the lock is free.
"""

from __future__ import annotations

import fcntl
import json
import os
import subprocess
import sys
from collections.abc import Iterable
from contextlib import suppress
from functools import cached_property
from pathlib import Path
from typing import Any


def begin(told: Path, seeds: Iterable[int], bugs: Iterable[str]) -> None:
    """Returns at once. told: an empty file."""
    asked = json.dumps({"seeds": list(seeds), "bugs": list(bugs)})
    command = [sys.executable, "-m", "tests.trials.run_beside", str(told), asked]
    with told.open("a") as locked:
        fcntl.flock(locked, fcntl.LOCK_EX)  # handed on, so that it is free once that process is not
        began = subprocess.Popen(
            command,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            start_new_session=True,
            pass_fds=[locked.fileno()],
        )
        locked.write(json.dumps({"process": began.pid}) + "\n")


def end(told: Path) -> None:
    """With the processes that it shares its seeds out to; nothing where it never began."""
    for line in _lines(told):
        if "process" in line:
            with suppress(ProcessLookupError):
                os.killpg(line["process"], 9)
    told.unlink(missing_ok=True)


class Beside:
    """What came of them; waits for the end."""

    def __init__(self, told: Path) -> None:
        self._told = told

    def seeds(self) -> dict[int, dict[str, Any]]:
        """The outcome of each that the process got to, by seed."""
        return {one["seed"]: one for one in self._ended if "seed" in one}

    def bugs(self) -> dict[str, dict[str, Any]]:
        """The score of each, by its name."""
        return {one["bug"]: one for one in self._ended if "bug" in one}

    @cached_property
    def _ended(self) -> list[dict[str, Any]]:
        with self._told.open() as locked:
            fcntl.flock(locked, fcntl.LOCK_SH)
        return _lines(self._told)


def _lines(told: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in told.read_text().splitlines()]
