"""The parts of the soak that can be looked at without letting an hour pass."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from simulator.misbehaviour import KINDS
from simulator.stage import load_stage
from tests.soak.curve import Sample, picture, slope
from tests.soak.story import RELAYS, scenario

HOUR_S = 3_600.0


@pytest.mark.parametrize("minutes", [6, 60, 1_440])
def test_the_story_can_be_played(minutes: int, tmp_path: Path) -> None:
    """The simulator rehearses it, so that what a relay can't do comes out."""
    told = json.dumps(scenario(60.0 * minutes, seed=1))
    stage = load_stage(
        "soak.yaml", lambda path: told if path == "soak.yaml" else Path(path).read_text()
    )
    assert len(stage.entries) == RELAYS


def test_every_misbehaviour_has_its_turn() -> None:
    scenes = scenario(HOUR_S, seed=1)["story"]
    kinds = {scene["kind"] for scene in scenes if scene["do"] == "misbehave"}
    assert kinds == KINDS.keys()


def samples(first_kb: int, per_hour_kb: int) -> list[Sample]:
    return [
        Sample(
            at_s=at, rss_kb=round(first_kb + per_hour_kb * at / HOUR_S), descriptors=9, cpu_s=0.0
        )
        for at in range(0, 3_600, 10)
    ]


# first_kb  kb an hour  percent an hour
SLOPES = """
100000      0           0.0
100000      1000        1.0
100000      -500        -0.5
50000       5000        10.0
"""


@pytest.mark.parametrize("row", SLOPES.split("\n")[1:-1])
def test_the_slope_is_percent_an_hour(row: str) -> None:
    first_kb, per_hour_kb, percent = row.split()
    assert slope(samples(int(first_kb), int(per_hour_kb))) == pytest.approx(
        float(percent), abs=0.01
    )


def test_the_picture_begins_at_nought() -> None:
    drawn = picture(samples(100_000, 0), 900, "an hour")
    assert ">0</text>" in drawn
    assert drawn.count("<polyline") == 2
