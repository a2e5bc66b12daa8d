"""bayroll site: drafts on the output, what to look at on the error stream, no file written over."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from poller.cli.app import app
from poller.cli.shipped import config_folder
from poller.site.load import parse
from poller.site.settings import SiteFile

DONE, BAD_INPUT = 0, 2
SCL = Path(__file__).parents[1] / "site" / "scl"
CSV = "relay;bay;function;host;maps\r\nq1;Q01;main 1;10.0.0.1;larch\r\n"


def run(*words: object) -> Result:
    return CliRunner().invoke(app, ["site", *map(str, words)])


def test_from_scl_prints_the_draft_and_nothing_else() -> None:
    result = run("from-scl", SCL / "edition-1.xml")
    assert result.exit_code == DONE, result.stderr
    assert result.stdout.startswith("# Drafted from edition-1.xml")
    assert "[scl-" not in result.stdout


def test_from_scl_says_what_to_look_at_and_that_an_address_proves_nothing() -> None:
    told = run("from-scl", SCL / "several.xml").stderr
    assert "[scl-no-address]" in told
    assert "does not prove that Modbus is there" in told


def test_from_scl_writes_a_new_file(tmp_path: Path) -> None:
    out = tmp_path / "site.yaml"
    printed = run("from-scl", SCL / "several.xml").stdout_bytes
    assert run("from-scl", SCL / "several.xml", "--out", out).exit_code == DONE
    assert out.read_bytes() == printed


@pytest.mark.parametrize("command", ["from-scl", "from-csv", "to-csv"])
def test_a_file_that_exists_is_not_written_over(command: str, tmp_path: Path) -> None:
    out = tmp_path / "kept"
    out.write_text("mine")
    result = run(command, _sound_file(command, tmp_path), "--out", out)
    assert (result.exit_code, out.read_text()) == (BAD_INPUT, "mine")
    assert "[file-exists]" in result.stderr


def test_a_folder_that_is_not_there_is_told(tmp_path: Path) -> None:
    result = run("from-csv", _sound_file("from-csv", tmp_path), "--out", tmp_path / "no" / "x")
    assert result.exit_code == BAD_INPUT
    assert "[file-unwritable]" in result.stderr


@pytest.mark.parametrize(
    ("command", "code"),
    [
        ("from-scl", "scl-unreadable"),
        ("from-csv", "csv-unreadable"),
        ("to-csv", "site-file-unreadable"),
    ],
)
def test_a_file_that_is_not_there_is_told(command: str, code: str, tmp_path: Path) -> None:
    result = run(command, tmp_path / "absent")
    assert (result.exit_code, f"[{code}]" in result.stderr) == (BAD_INPUT, True)


def test_a_folder_is_no_file(tmp_path: Path) -> None:
    assert "Is a directory" in run("from-scl", tmp_path).stderr


@pytest.mark.parametrize("delimiter", ["comma", "semicolon", "tab"])
def test_the_shipped_list_goes_through_a_spreadsheet_and_back(
    delimiter: str, tmp_path: Path
) -> None:
    sheet, site = tmp_path / "list.csv", tmp_path / "back.yaml"
    shipped = config_folder() / "site.yaml"
    assert run("to-csv", shipped, "--delimiter", delimiter, "--out", sheet).exit_code == DONE
    assert run("from-csv", sheet, "--whole", "--out", site).exit_code == DONE
    assert _relays(site) == _relays(shipped)


def test_from_csv_prints_the_section_to_paste(tmp_path: Path) -> None:
    assert run("from-csv", _sound_file("from-csv", tmp_path)).stdout == (
        "relays:\n  - id: q1\n    bay: Q01\n    function: main 1\n    host: 10.0.0.1\n"
        "    maps: [larch]\n"
    )


def test_a_list_at_fault_prints_nothing_of_it(tmp_path: Path) -> None:
    sheet = tmp_path / "list.csv"
    sheet.write_text(CSV.replace("10.0.0.1", "10.0.0.*"))
    result = run("from-csv", sheet)
    assert (result.exit_code, result.stdout) == (BAD_INPUT, "")


def _sound_file(command: str, folder: Path) -> Path:
    if command == "from-scl":
        return SCL / "several.xml"
    if command == "to-csv":
        return config_folder() / "site.yaml"
    sheet = folder / "list.csv"
    sheet.write_bytes(CSV.encode())
    return sheet


def _relays(path: Path) -> object:
    return parse(SiteFile, path.read_text(encoding="utf-8"), str(path)).relays
