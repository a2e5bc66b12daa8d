"""Commands where no service runs: what they leave behind, and what they must not claim."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from poller.cli.ask import BEGINS_A_JOURNAL
from poller.edges.commands import COMMANDS
from poller.journal.file import holder
from poller.journal.store import Writer
from tests.cli.bench import Bench

DONE, FOUND, BAD_INPUT, UNREACHABLE = 0, 1, 2, 3
WHO = ("--who", "Ada Quill")
WHY = ("--why", "bench")


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    monkeypatch.setenv("BAYROLL_RUNTIME_DIR", str(tmp_path / "run"))
    return Bench(tmp_path)


@pytest.fixture
def without(bench: Bench) -> Bench:
    """A site of which no service ever made a journal."""
    for path in bench.folder.glob("bayroll.journal*"):
        path.unlink()
    return bench


def left(bench: Bench) -> list[Path]:
    return sorted(bench.folder.glob("bayroll.journal*"))


@pytest.mark.parametrize(
    "words",
    [
        ["alarms", "ack", "q01-main1.silent", *WHO, *WHY],
        ["pause", "q01-main1", *WHO, *WHY],
        ["baseline", "accept", "q01-main1", *WHO, *WHY],
    ],
)
def test_a_command_makes_no_journal(without: Bench, words: list[str]) -> None:
    result = without.run(*words)
    assert (result.exit_code, "[journal-missing]" in result.stderr) == (UNREACHABLE, True)
    assert left(without) == []


def test_what_may_begin_a_journal_and_is_refused_leaves_none(without: Bench) -> None:
    result = without.run("record", "q99", "swRev=5.1 SP1", *WHO)
    assert (result.exit_code, "no such relay" in result.stderr) == (BAD_INPUT, True)
    assert left(without) == []


def test_the_first_user_can_be_named_before_a_service_ever_ran(without: Bench) -> None:
    password = without.folder / "password"
    password.write_text("cold-tea-at-the-bay")
    words = ("user", "add", "ute", "--role", "viewer", "--password-file", str(password))
    assert without.run(*words, *WHO).exit_code == DONE
    assert [one["user"] for one in without.json("user", "list")] == ["ute"]


def test_what_begins_a_journal_is_a_command() -> None:
    assert COMMANDS.keys() >= BEGINS_A_JOURNAL


def test_pause_and_resume_claim_no_more_than_they_did(bench: Bench) -> None:
    paused = bench.run("pause", "q01-main1", *WHO, *WHY).stdout
    assert paused == "q01-main1: noted; no service runs: it will not be polled when one starts\n"
    resumed = bench.run("resume", "q01-main1", *WHO).stdout
    assert resumed == "q01-main1: noted; no service runs: it will be polled when one starts\n"


AS_OF = (
    "no service runs: what follows is as of 2026-03-01 08:06:00 UTC (the journal's last entry)\n"
    "    mend: start it: bayroll run SITE\n"
)


@pytest.mark.parametrize(
    "words",
    [
        ["list"],
        ["show", "q01-main1"],
        ["alarms"],
        ["due"],
        ["alarms", "show", "q01-main1.unplanned_change"],
    ],
)
def test_what_only_the_journal_tells_is_said_to_be_of_then(bench: Bench, words: list[str]) -> None:
    for form in ([], ["--json"]):
        assert AS_OF in bench.run(*words, *form).stderr
    for line in bench.run(*words, "--json").stdout.splitlines():
        json.loads(line)


def test_what_a_person_entered_since_is_no_news_of_the_relays(bench: Bench) -> None:
    bench.json("pause", "q01-main1", *WHO, *WHY)
    assert AS_OF in bench.run("list").stderr


def test_whether_a_relay_answers_is_not_known(bench: Bench) -> None:
    shown = bench.run("show", "q01-main1").stdout
    assert "answering: not known; baseline new" in shown
    assert bench.json("show", "q01-main1")[0]["answering"] is None
    assert {row["answering"] for row in bench.json("list")} == {None}
    [row] = bench.run("list", "--flag", "firmware_changed").stdout.splitlines()[1:2]
    assert "not known" in row
    assert not row.rstrip().endswith("yes")


def test_what_is_paused_is_paused_whether_a_service_runs_or_not(bench: Bench) -> None:
    bench.json("pause", "q01-main1", *WHO, *WHY)
    assert bench.run("show", "q01-main1").stdout.splitlines()[1].startswith("paused; ")


def test_with_a_service_nothing_is_said(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("poller.cli.common.control.request", lambda *_: {})
    for words in (["list"], ["show", "q01-main1"], ["alarms"]):
        assert bench.run(*words).stderr == ""
    assert "answering: yes" in bench.run("show", "q01-main1").stdout


@pytest.mark.parametrize("words", [["status"], ["selftest"], ["list"], ["alarms"]])
def test_a_service_that_is_looked_for_elsewhere_is_told(bench: Bench, words: list[str]) -> None:
    with Writer.open(bench.journal):
        result = bench.run(*words)
    assert f"process {os.getpid()} writes this journal" in result.output
    assert "set BAYROLL_RUNTIME_DIR to the folder" in result.output
    assert "bayroll run SITE" not in result.output


def test_a_journal_of_nobody_is_not_locked_to_find_that_out(bench: Bench) -> None:
    assert holder(bench.journal) is None
    lock = bench.journal.with_name(bench.journal.name + ".lock")
    lock.write_text(f"{os.getppid()}\n")  # a number that was given to another process since
    assert holder(bench.journal) is None
    with Writer.open(bench.journal):
        held = holder(bench.journal)
    assert held is not None
    assert held.pid == os.getpid()
