"""bayroll approved, and bayroll check of an approved list."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from poller.cli.app import app
from poller.cli.common import load
from poller.journal.store import Batch, Reader, Writer
from poller.judging.firmware_status import follow
from poller.model.events import Event
from poller.model.standing import State
from tests.cli.bench import AT, Bench

DONE, FOUND, BAD_INPUT = 0, 1, 2


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    """Its journal judged by the list that ships, as a service would have."""
    monkeypatch.setenv("BAYROLL_RUNTIME_DIR", str(tmp_path / "run"))
    made = Bench(tmp_path)
    state = Reader.open(made.journal).load_state()
    found = follow(State(), state, load(made.site_file))
    events = [Event(at=AT + timedelta(hours=1), subject=name, body=body) for name, body in found]
    if events:
        with Writer.open(made.journal) as writer:
            writer.write([Batch(events=tuple(events))])
    return made


def rows(bench: Bench, *words: str, code: int = FOUND) -> list[dict[str, Any]]:
    result = bench.run("approved", *words, "--json")
    assert result.exit_code == code, result.output
    return [json.loads(line) for line in result.stdout.splitlines()]


def test_each_firmware_of_each_relay_has_a_row(bench: Bench) -> None:
    said = [
        (row["id"], row["firmware"], row["version"], row["target"], row["status"], row["rule"])
        for row in rows(bench, "--bay", "Q01")
    ]
    assert said == [
        ("q01-control", "device", None, None, "not_read", None),
        # the bench's relay tells no order code, so the rule for its device is not for it
        ("q01-main1", "device", "5.2", None, "no_rule", None),
        ("q01-main1", "boot", "2.4", "2.4", "current", "larch-boot"),
        ("q01-main2", "device", None, None, "not_read", None),
    ]


def test_it_ends_well_where_everything_may_run(bench: Bench) -> None:
    found = rows(bench, "--rule", "larch-boot", code=DONE)
    assert {row["status"] for row in found} == {"current"}


def test_a_person_reads_a_table_and_how_many_there_are(bench: Bench) -> None:
    result = bench.run("approved", "--status", "current")
    assert result.exit_code == DONE
    assert "Q01  main 1    boot      2.4      2.4     current" in result.stdout
    assert result.stdout.endswith("2 firmware versions: 2 current\n")


def test_text_from_a_relay_reaches_no_terminal_as_it_is(bench: Bench) -> None:
    assert "V1\\x1b[2J\\u202e<b>" in bench.run("approved", "--bay", "Q02").stdout


HOW = "approved: approved.yaml"


def test_where_no_rule_is_for_anything_it_says_how_to_name_a_list(bench: Bench) -> None:
    for path in bench.folder.glob("bayroll.journal*"):
        path.unlink()
    Writer.open(bench.journal).close()
    result = bench.run("approved")
    assert (result.exit_code, HOW in result.output) == (DONE, True)


def test_where_a_rule_is_for_something_it_does_not(bench: Bench) -> None:
    assert HOW not in bench.run("approved", "--status", "not_read").output


def test_a_status_that_there_is_not_is_bad_input(bench: Bench) -> None:
    assert bench.run("approved", "--status", "splendid").exit_code == BAD_INPUT


def test_check_tells_the_faults_of_the_approved_list_with_those_of_the_maps(bench: Bench) -> None:
    for name, before, after in (
        ("approved.yaml", "target: G", "target: H"),
        ("maps/otter.yaml", "family: Otter", "famly: Otter"),
    ):
        path = bench.folder / name
        path.write_text(path.read_text().replace(before, after))
    result = CliRunner().invoke(app, ["check", str(bench.site_file), "--json"])
    assert result.exit_code == BAD_INPUT
    said = [json.loads(line) for line in result.stdout.splitlines()]
    assert [(one["code"], one["at"]) for one in said] == [
        ("approved-target", "rules[otter].target"),
        ("key-missing", "family"),
        ("key-unknown", "famly"),
    ]
