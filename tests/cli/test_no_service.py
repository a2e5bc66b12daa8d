"""Commands where no service runs: what they leave behind, and what they must not claim."""

from __future__ import annotations

from pathlib import Path

import pytest

from poller.cli.ask import BEGINS_A_JOURNAL
from poller.edges.commands import COMMANDS
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
