"""The process that `beside` begins."""

from __future__ import annotations

import dataclasses
import json
import os
import sys
from pathlib import Path
from typing import Final

from tests.trials.many import outcomes
from tests.trials.score import apart

BUG_SEEDS: Final = 24  # those that a bug may take until it is found


def main() -> None:
    os.nice(19)
    name, given = sys.argv[1:]
    asked = json.loads(given)
    with Path(name).open("a") as told:
        for bug in asked["bugs"]:
            score = apart(bug, 0, BUG_SEEDS, until_found=True)
            print(json.dumps(score), file=told, flush=True)
        for one in outcomes(asked["seeds"]):
            print(json.dumps(dataclasses.asdict(one)), file=told, flush=True)


if __name__ == "__main__":
    main()
