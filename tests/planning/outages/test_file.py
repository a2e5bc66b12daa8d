"""A corpus of outages files that can't be, each with its exact message beside it."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import pytest

from poller.cli.shipped import config_folder
from poller.model.problems import Faulty
from poller.planning.outages import check
from poller.planning.outages.check import load_outages
from poller.site.load import load_site

HERE: Final = Path(__file__).parents[1] / "broken" / "outages"
SITE: Final = load_site(
    str(config_folder() / "site.yaml"), lambda path: Path(path).read_text(encoding="utf-8")
)
NAMES: Final = sorted(path.stem for path in HERE.glob("*.yaml"))


def said(name: str) -> str:
    path = HERE / f"{name}.yaml"
    try:
        load_outages(path.read_text(encoding="utf-8"), path.name, SITE)
    except Faulty as faulty:
        return f"{faulty}\n"
    return ""


@pytest.mark.parametrize("name", NAMES)
def test_a_broken_file_says_what_where_and_how_to_mend(name: str) -> None:
    assert said(name) == (HERE / f"{name}.txt").read_text(encoding="utf-8")


@pytest.mark.parametrize("one", check.CHECKS, ids=lambda one: one.find.__name__.strip("_"))
def test_without_a_check_some_case_says_something_else(
    one: object, monkeypatch: pytest.MonkeyPatch
) -> None:
    left = tuple(other for other in check.CHECKS if other is not one)
    monkeypatch.setattr(check, "CHECKS", left)
    assert any(said(name) != (HERE / f"{name}.txt").read_text(encoding="utf-8") for name in NAMES)


def test_the_file_that_ships_is_sound() -> None:
    text = (config_folder() / "outages.yaml").read_text(encoding="utf-8")
    assert len(load_outages(text, "outages.yaml", SITE).windows) == 9
