"""The same seed gives the same journal, octet for octet."""

from __future__ import annotations

import os
import subprocess
import sys


def test_the_order_of_hashes_changes_nothing() -> None:
    """Sets and dicts of another order, as another process has them: the same journal, in octets."""
    command = [sys.executable, "-m", "tests.trials", "--seed", "4", "--hours", "0.5", "--digest"]
    found = {
        subprocess.run(
            command,
            env=os.environ | {"PYTHONHASHSEED": number},
            capture_output=True,
            text=True,
            check=True,
        ).stdout.splitlines()[0]
        for number in ("1", "2", "77")
    }
    assert len(found) == 1
