"""Work, an investigation and a spare from their beginning to their end, with no service running."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.cli.bench import Bench

DONE, FOUND, BAD_INPUT = 0, 1, 2
WHO = ["--who", "Ada Quill"]


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    monkeypatch.setenv("BAYROLL_RUNTIME_DIR", str(tmp_path / "run"))
    return Bench(tmp_path)


def window_around_now() -> list[str]:
    """The command line has the machine's clock; an hour to either side is far from its edges."""
    now = datetime.now(UTC)
    hour = timedelta(hours=1)
    start, end = (f"{at:%Y-%m-%d %H:%M}" for at in (now - hour, now + hour))
    return ["--start", start, "--end", end, "--zone", "UTC"]


def state(bench: Bench, work: str = "w1") -> str:
    rows = bench.json("work", "list", "--all")
    return str(next(row["state"] for row in rows if row["id"] == work))


def test_work_from_plan_to_signature(bench: Bench) -> None:
    plan = ["q01-main1", *window_around_now(), "--kind", "rollback", "--to", "5.1 SP2 HF3"]
    added = bench.run("work", "add", *plan, *WHO)
    assert added.stdout.startswith("w1: planned on q01-main1; see: bayroll work show w1\n")

    refused = bench.run("work", "start", "w1", *WHO)
    assert (refused.exit_code, "mend: " in refused.output) == (BAD_INPUT, True), refused.output
    bench.json("work", "note", "w1", "drawer 7", "--kind", "read_back", *WHO)
    bench.json("work", "start", "w1", "--although", "line is out of service", *WHO)
    assert state(bench) == "under_way"
    assert bench.json("work", "show", "w1")[0]["overridden"]

    bench.json("work", "end", "w1", *WHO)
    assert state(bench) == "waiting_for_relay"
    bench.json("work", "close", "w1", "--why", "read at the front panel", *WHO)
    assert (state(bench), bench.json("work", "list")) == ("closed", [])

    told = bench.run("history", "q01-main1").stdout
    assert "work w1 was moved by Ada Quill" in told
    assert "because: line is out of service." in told


def test_work_that_is_not_done_is_cancelled(bench: Bench) -> None:
    bench.json("work", "add", "q01-main1", *window_around_now(), "--to", "5.3", *WHO)
    bench.json("work", "cancel", "w1", "--why", "no outage", *WHO)
    assert state(bench) == "cancelled"


def test_overlapping_work_on_a_relay_is_refused(bench: Bench) -> None:
    words = ["work", "add", "q01-main1", *window_around_now(), "--to", "5.3", *WHO]
    bench.json(*words)
    again = bench.run(*words)
    assert (again.exit_code, "overlaps" in again.output) == (BAD_INPUT, True), again.output


def test_a_change_nobody_planned_is_asked_about_until_it_is_disposed_of(bench: Bench) -> None:
    opened = bench.run("investigation", "list")
    assert (opened.exit_code, "1 open" in opened.stdout) == (FOUND, True)
    bench.json("work", "add", "q01-main1", *window_around_now(), "--to", "5.3", *WHO)
    bench.json("investigation", "link", "i1", "w1", *WHO)
    assert bench.run("investigation", "list").exit_code == FOUND, "linked work closes nothing"
    words = ["--as", "repair", "--why", "card replaced", *WHO]
    bench.json("investigation", "dispose", "i1", *words)
    assert bench.run("investigation", "list").exit_code == DONE
    (told,) = bench.json("investigation", "list", "--all")
    assert (told["disposition"], told["why"], told["work"]) == ("repair", "card replaced", "w1")


def test_a_spare_comes_to_the_shelf_and_leaves_it(bench: Bench) -> None:
    words = ["--vendor", "Tarnwick Electric", "--shelf", "A3", "--firmware", "5.3", *WHO]
    bench.json("spare", "shelve", "TW1900044", *words)
    plan = ["q01-main1", *window_around_now(), "--replace", "--spare", "TW1900044"]
    bench.json("work", "add", *plan, *WHO)
    expected = [one for one in bench.json("work", "show", "w1")[0]["expects"] if one["after"]]
    assert {one["name"]: one["after"] for one in expected} == {
        "serNum": "TW1900044",
        "swRev": "5.3",
    }
    bench.json("spare", "remove", "TW1900044", "--why", "lent out", *WHO)
    assert bench.json("spare", "list") == []
    kinds = [row["kind"] for row in bench.json("history", "--serial", "TW1900044")]
    assert kinds == ["spare_shelved", "spare_removed"]


@pytest.mark.parametrize(
    "words",
    [
        ["work", "start", "w9"],
        ["work", "end", "w9"],
        ["work", "note", "w9", "text"],
        ["work", "cancel", "w9", "--why", "y"],
        ["work", "close", "w9", "--why", "y"],
        ["investigation", "dispose", "i9", "--as", "repair", "--why", "y"],
        ["investigation", "link", "i9", "w9"],
    ],
    ids=lambda words: " ".join(words[:2]),
)
def test_what_is_not_there_is_refused_with_where_to_look(bench: Bench, words: list[str]) -> None:
    result = bench.run(*words, *WHO)
    assert (result.exit_code, "list" in result.output) == (BAD_INPUT, True), result.output
