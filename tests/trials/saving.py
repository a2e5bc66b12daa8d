"""A seed as files that the simulator plays: its site, its maps, its scenario.

What befalls the poller itself (kills, a broker that dies, a clock that steps) is no part of a
scenario and stands in its `about`.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from pydantic import BaseModel
from ruamel.yaml import YAML

from tests.trials.drawing import Drawn
from tests.trials.families import map_text


def save(drawn: Drawn, folder: Path) -> Path:
    """Writes into a new folder; returns the scenario's path. Raises FileExistsError."""
    folder.mkdir(parents=True)
    (folder / "maps").mkdir()
    for name in sorted({name for entry in drawn.stage.entries for name in entry.maps}):
        (folder / "maps" / f"{name}.yaml").write_text(map_text(name))
    _write(folder / "site.yaml", _plain(drawn.site.file))
    scenario = drawn.stage.scenario.model_copy(
        update={"about": _about(drawn), "ends_s": drawn.ends}
    )
    told = _plain(scenario)
    for scene, shown in zip(scenario.story, told["story"], strict=True):
        shown["do"] = scene.do
    _write(folder / "scenario.yaml", told)
    return folder / "scenario.yaml"


def _plain(model: BaseModel) -> Any:
    return _lists(model.model_dump(exclude_defaults=True))


def _lists(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _lists(one) for key, one in value.items()}
    return [_lists(one) for one in value] if isinstance(value, list | tuple) else value


def _about(drawn: Drawn) -> str:
    parts = [f"Seed {drawn.seed} of the trial."]
    parts += [f"The poller was killed at {at:.1f} s for {dead:.1f} s." for at, dead in drawn.kills]
    parts += [f"Nothing could be committed from {a:.0f} to {b:.0f} s." for a, b in drawn.failing]
    parts += [f"The broker was away from {a:.0f} to {b:.0f} s." for a, b in drawn.broker_away]
    parts += [f"The wall clock was set by {by_s:+g} s at {at:.0f} s." for at, by_s in drawn.steps]
    return " ".join(parts)


def _write(path: Path, value: object) -> None:
    yaml = YAML()
    yaml.default_flow_style = None  # a scene is one line
    yaml.width = 400
    with path.open("w", encoding="utf-8") as file:
        yaml.dump(value, file)
