"""A saved seed is a scenario that the simulator plays, cue by cue the same."""

from __future__ import annotations

from pathlib import Path

import pytest

from simulator.stage import load_stage
from tests.trials.drawing import draw
from tests.trials.saving import save


@pytest.mark.parametrize("seed", range(8))
def test_a_saved_seed_tells_the_same_story(seed: int, tmp_path: Path) -> None:
    drawn = draw(seed)
    saved = save(drawn, tmp_path / "saved")
    stage = load_stage(str(saved), lambda path: Path(path).read_text())
    assert stage.story().cues == drawn.stage.story().cues


def test_a_saved_seed_has_the_same_relays(tmp_path: Path) -> None:
    drawn = draw(5)
    stage = load_stage(str(save(drawn, tmp_path / "saved")), lambda path: Path(path).read_text())
    assert stage.entries == drawn.stage.entries


def test_nothing_is_written_over(tmp_path: Path) -> None:
    with pytest.raises(FileExistsError):
        save(draw(5), tmp_path)
