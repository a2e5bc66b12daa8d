"""What README says to type is taken as it stands there, on a site whose journal is new."""

from __future__ import annotations

import re
import shlex
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import pytest

from tests.cli.bench import Bench

YEAR: Final = datetime.now(UTC).year + 1
README: Final = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
# any year that is still to come
WORK: Final = README.split("## Work on a relay")[1].split("```")[1].replace("2030", f"{YEAR}")


def commands(block: str) -> list[list[str]]:
    """The words behind bayroll, line by line; comments end a line, a backslash does not."""
    lines = block.replace("\\\n", " ").splitlines()
    return [shlex.split(line, comments=True)[1:] for line in lines if line.startswith("bayroll ")]


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    monkeypatch.setenv("BAYROLL_RUNTIME_DIR", str(tmp_path / "run"))
    monkeypatch.delenv("BAYROLL_WHO", raising=False)
    return Bench(tmp_path)


def test_work_is_planned_as_readme_says(bench: Bench) -> None:
    """Not more than planned: what follows waits for the window, and for a relay to be read."""
    bench.run("record", "t1-main1", "swRev=5.1 SP2", "serNum=TW1900017", "--who", "x")
    told = [bench.run(*words) for words in commands(WORK)]
    assert told[0].exit_code == 0, told[0].output
    assert len(told) == 7
    for words, result in zip(commands(WORK), told, strict=True):
        assert not re.search(r"is needed|No such option|Usage:", result.output), (words, result)
