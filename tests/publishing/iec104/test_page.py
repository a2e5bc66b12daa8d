"""The page for integrators says what is so: settings, their defaults, bounds."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Final

import pytest

from poller.model import limits
from poller.publishing.iec104 import frames as wire
from poller.publishing.iec104.settings import ALARMS_MAX, Iec104Settings
from poller.site.yaml_lines import read

PAGE: Final = (Path(__file__).parents[3] / "config/scada/iec104.md").read_text()
SETTINGS: Final = Iec104Settings()
ROWS: Final = [
    [cell.strip() for cell in line.strip("|").split("|")]
    for line in PAGE.splitlines()
    if line.startswith("| `")
]


def test_the_example_is_taken() -> None:
    (example,) = re.findall(r"```yaml\n(.*?)```", PAGE, re.DOTALL)
    settings = Iec104Settings.model_validate(read(example, "page").value["outputs"]["iec104"])
    assert settings.groups.keys() == {"main", "backup"}


def test_every_setting_stands_there_and_no_other() -> None:
    named = [name for cells in ROWS for name in re.findall(r"`([a-z0-9_]+)`", cells[0])]
    assert sorted(named) == sorted(Iec104Settings.model_fields)


@pytest.mark.parametrize("cells", ROWS, ids=lambda cells: cells[0])
def test_defaults_are_those_of_the_program(cells: list[str]) -> None:
    names = re.findall(r"`([a-z0-9_]+)`", cells[0])
    if names in (["tls"], ["groups"]):
        assert SETTINGS.tls is None
        assert SETTINGS.groups == {"main": ()}
        return
    assert cells[2] == ", ".join(str(getattr(SETTINGS, name)) for name in names)


BOUNDS = {
    f"at most {limits.IEC104_CLIENTS_MAX}; one more is refused",
    f"full range is {ALARMS_MAX:,} addresses",
    f"more than {limits.IEC104_WAITING_MAX:,} wait",
    f"up to {wire.TIMED_MAX} points of a relay",
    f"of up to {wire.SEQUENCE_MAX} ",
    f"{limits.IEC104_ANSWERS_MAX} requests whose answers",
    f"k 1 to {limits.IEC104_K_MAX:,}",
    f"in up to {limits.IEC104_GROUPS_MAX} groups",
    f"APDU of at most {wire.APDU_MAX} octets",
}


@pytest.mark.parametrize("words", sorted(BOUNDS))
def test_bounds_are_those_of_the_program(words: str) -> None:
    assert words in PAGE


def test_a_million_events_is_the_lag_that_the_pump_allows() -> None:
    assert limits.OUTPUT_LAG_MAX == 1_000_000
    assert "a million events of the journal" in PAGE
