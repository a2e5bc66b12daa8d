"""bayroll inventory: the same bytes from the same journal, into a new file alone."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from poller.answers.inventory_files import Format
from poller.journal import Journal
from tests.cli.bench import Bench

DONE, BAD_INPUT = 0, 2


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    monkeypatch.setenv("BAYROLL_RUNTIME_DIR", str(tmp_path / "run"))
    return Bench(tmp_path)


@pytest.mark.parametrize("format_", Format)
def test_asked_twice_it_gives_the_same_bytes(bench: Bench, format_: str) -> None:
    first, second = (bench.run("inventory", "--format", format_) for _ in range(2))
    assert (first.exit_code, first.stdout_bytes) == (DONE, second.stdout_bytes)


def test_it_names_the_head_of_the_journal(bench: Bench) -> None:
    told = json.loads(bench.run("inventory", "--format", "json").stdout)
    with Journal.open(bench.journal) as journal:
        head = journal.head()
    assert (told["as_of"]["seq"], told["as_of"]["hash"]) == (head.seq, head.hash)


def test_without_words_it_is_cyclonedx_of_the_older_version(bench: Bench) -> None:
    assert json.loads(bench.run("inventory").stdout)["specVersion"] == "1.6"


def test_the_newer_version_is_given_where_it_is_asked_for(bench: Bench) -> None:
    assert json.loads(bench.run("inventory", "--spec", "1.7").stdout)["specVersion"] == "1.7"


def test_a_file_holds_what_would_be_printed(bench: Bench) -> None:
    out = bench.folder / "boxes.csv"
    bench.run("inventory", "--format", "csv", "--out", str(out))
    assert out.read_bytes() == bench.run("inventory", "--format", "csv").stdout_bytes


def test_a_file_that_is_there_stays_as_it_is(bench: Bench) -> None:
    out = bench.folder / "boxes.json"
    out.write_text("mine")
    result = bench.run("inventory", "--out", str(out))
    assert (result.exit_code, out.read_text()) == (BAD_INPUT, "mine")


def test_a_hostile_nameplate_moves_no_cursor(bench: Bench) -> None:
    assert bench.run("inventory").stdout_bytes.isascii()
