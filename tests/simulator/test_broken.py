"""A corpus of scenarios that can't be, each with its exact message beside it in a .txt file."""

from __future__ import annotations

from pathlib import Path

import pytest

from poller.model.problem_codes import CODES
from poller.model.problems import Faulty
from simulator.stage import load_stage

BROKEN = Path(__file__).parent / "broken"


def message(case: str) -> str:
    with pytest.raises(Faulty) as faulty:
        load_stage(str(BROKEN / case), lambda path: Path(path).read_text())
    return str(faulty.value).replace(f"{BROKEN}/", "") + "\n"


@pytest.mark.parametrize("case", sorted(path.name for path in BROKEN.glob("*.yaml")))
def test_a_broken_scenario_says_what_where_and_how_to_mend(case: str) -> None:
    assert message(case) == (BROKEN / case).with_suffix(".txt").read_text()


def test_every_code_of_scenarios_has_a_case() -> None:
    said = "".join(path.read_text() for path in BROKEN.glob("*.txt"))
    missing = [code for code in CODES if code.startswith("scenario-") and f"[{code}]" not in said]
    assert missing == []


def test_every_fault_of_a_scenario_comes_at_once() -> None:
    text = """format: 1
scenario: broken
fleet: {count: 1, maps_folder: maps, maps: [larch]}
story:
  - {at: 1, relay: nobody, do: silent}
  - {at: 1, relay: r0001, do: misbehave, kind: sulk}
"""
    larch = (Path(__file__).parents[2] / "config" / "maps" / "larch.yaml").read_text()
    files = {"s.yaml": text, "maps/larch.yaml": larch}
    with pytest.raises(Faulty) as faulty:
        load_stage("s.yaml", files.__getitem__)
    assert [(one.line, one.at) for one in faulty.value.problems] == [
        (5, "story[0].relay"),
        (6, "story[1].kind"),
    ]
