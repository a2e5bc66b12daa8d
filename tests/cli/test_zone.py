"""The name of the machine's time zone, wherever the system keeps it."""

from __future__ import annotations

from pathlib import Path

import pytest

from poller.cli.zone import machine_zone


@pytest.fixture(autouse=True)
def no_variable(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("TZ", raising=False)


@pytest.mark.parametrize(
    ("variable", "zone"),
    [("Europe/Vienna", "Europe/Vienna"), (":Asia/Tokyo", "Asia/Tokyo"), ("UTC", "UTC")],
)
def test_the_variable_stands_first(
    variable: str, zone: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TZ", variable)
    file = tmp_path / "timezone"
    file.write_text("America/St_Johns\n")
    assert machine_zone(tmp_path / "none", file) == zone


@pytest.mark.parametrize("folder", ["zoneinfo", "zoneinfo/posix", "zoneinfo/right"])
def test_else_where_the_link_points(folder: str, tmp_path: Path) -> None:
    target = tmp_path / folder / "Europe" / "Vienna"
    target.parent.mkdir(parents=True)
    target.touch()
    link = tmp_path / "localtime"
    link.symlink_to(target)
    assert machine_zone(link, tmp_path / "none") == "Europe/Vienna"


def test_else_what_the_file_says(tmp_path: Path) -> None:
    file = tmp_path / "timezone"
    file.write_text("America/St_Johns\n")
    assert machine_zone(tmp_path / "none", file) == "America/St_Johns"


# a POSIX rule is no name; the others are none at all
@pytest.mark.parametrize("text", ["", "CET-1CEST,M3.5.0", "Nowhere/At", "../../etc/passwd", "\0"])
def test_what_is_no_name_is_passed_over(
    text: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "timezone"
    file.write_text(text)
    if "\0" not in text:
        monkeypatch.setenv("TZ", text)
    assert machine_zone(tmp_path / "none", file) == "UTC"


def test_a_link_that_leads_in_a_circle_is_passed_over(tmp_path: Path) -> None:
    link = tmp_path / "localtime"
    link.symlink_to(link)
    assert machine_zone(link, tmp_path / "none") == "UTC"
