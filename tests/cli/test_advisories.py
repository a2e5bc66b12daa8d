"""bayroll advisories, bulletin and exception, on the shipped families and the shipped document."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.cli.bench import Bench
from tests.cli.work_bench import WorkBench

DONE, FOUND, BAD_INPUT = 0, 1, 2
WHO = ("--who", "Ada Quill")
BULLETIN = ("bulletin", "add", "may pick up late", "--severity", "slow_trip", "--family", "larch")


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> WorkBench:
    monkeypatch.setenv("BAYROLL_RUNTIME_DIR", str(tmp_path / "run"))
    return WorkBench(tmp_path)


def told(bench: Bench, *words: str, code: int = FOUND) -> list[dict[str, Any]]:
    result = bench.run("advisories", *words, "--json")
    assert result.exit_code == code, result.output
    return [json.loads(line) for line in result.stdout.splitlines()]


def findings(bench: Bench, *words: str) -> list[tuple[str, str, str]]:
    rows = [row for row in told(bench, *words) if row["is"] == "finding"]
    return [(row["relay"] or "spare", row["document"], row["verdict"]) for row in rows]


def test_each_relay_and_spare_that_a_document_names_has_a_row(bench: WorkBench) -> None:
    """Q01 main 1 and a spare run what "5.2 and later" may mean, Q02 main 1 tells no version."""
    assert findings(bench) == [
        ("q02-main1", "TW-2026-004", "needs_a_person"),
        ("q01-main1", "TW-2026-004", "needs_a_person"),
        ("spare", "TW-2026-004", "needs_a_person"),
    ]


def test_a_bulletin_of_misoperation_stands_before_every_score(bench: WorkBench) -> None:
    assert bench.run(*BULLETIN, "--versions", "vers:generic/<5.3", *WHO).exit_code == DONE
    assert findings(bench, "--relay", "q01-main1") == [
        ("q01-main1", "b1", "affected"),
        ("q01-main1", "TW-2026-004", "needs_a_person"),
    ]


def test_a_row_names_the_document_and_the_path_in_it(bench: WorkBench) -> None:
    (row,) = (one for one in told(bench, "--relay", "q02-main1") if one["is"] == "finding")
    assert (row["file"], row["path"], row["score"]) == (
        "tw-2026-004.json",
        "/vulnerabilities/0/product_status/known_affected/0",
        7.5,
    )


def test_a_person_reads_why_it_is_theirs_to_decide(bench: WorkBench) -> None:
    said = bench.run("advisories", "--relay", "q01-main1").stdout
    assert "a person decides: its range 5.2 and later can't be used" in said


def test_text_from_a_relay_reaches_no_terminal_as_it_is(bench: WorkBench) -> None:
    assert "V1\\x1b[2J\\u202e<b>" in bench.run("advisories").stdout


def test_a_document_that_cant_be_used_is_told(bench: WorkBench) -> None:
    (bench.folder / "advisories" / "sub").mkdir()
    (bench.folder / "advisories" / "sub" / "x.json").write_text("{}")
    (row,) = (one for one in told(bench) if one["is"] == "unusable")
    assert (row["code"], row["file"]) == ("advisory-shape", "sub/x.json")


def test_a_folder_that_is_not_there_is_told(bench: WorkBench) -> None:
    path = bench.folder / "advisories.yaml"
    path.write_text(path.read_text().replace("folder: advisories", "folder: elsewhere"))
    (row,) = (one for one in told(bench) if one["is"] == "unusable")
    assert row["what"] == "there is no such folder"


def test_names_that_no_family_has_are_told(bench: WorkBench) -> None:
    path = bench.folder / "advisories.yaml"
    path.write_text(path.read_text().replace("Larch 8*", "Larch 9*"))
    (row,) = (one for one in told(bench) if one["is"] == "name_unknown")
    assert (row["vendor"], row["product"]) == ("Tarnwick Electric Ltd", "Larch 80")


def test_a_site_without_families_is_told_how_to_name_them(bench: WorkBench) -> None:
    text = bench.site_file.read_text()
    lines = [line for line in text.splitlines() if not line.startswith("advisories:")]
    bench.site_file.write_text("\n".join(lines))
    result = bench.run("advisories")
    assert (result.exit_code, "advisories: advisories.yaml" in result.output) == (DONE, True)


def test_a_bulletin_is_listed_until_it_is_closed(bench: WorkBench) -> None:
    assert "b1: entered" in bench.run(*BULLETIN, *WHO).stdout
    assert [row["id"] for row in bench.json("bulletin", "list")] == ["b1"]
    assert bench.run("bulletin", "close", "b1", "--why", "settled", *WHO).exit_code == DONE
    assert bench.json("bulletin", "list") == []
    assert "settled" in bench.run("bulletin", "list", "--all").stdout


def test_a_range_that_is_none_is_refused_with_how_it_would_be_right(bench: WorkBench) -> None:
    result = bench.run(*BULLETIN, "--versions", "<5.3", *WHO)
    assert (result.exit_code, "write vers:TYPE/CONSTRAINT" in result.output) == (BAD_INPUT, True)


def test_an_exception_is_listed_until_it_is_ended(bench: WorkBench) -> None:
    # until a day of next year: whenever this runs, it is to come and less than three years off
    until = (datetime.now(UTC) + timedelta(days=400)).date().isoformat()
    words = ("exception", "add", "q01-main1", "--until", until, "--why", "no outage")
    assert "e1: what is due of q01-main1 may wait" in bench.run(*words, *WHO).stdout
    assert [row["id"] for row in bench.json("exception", "list")] == ["e1"]
    assert bench.run("exception", "end", "e1", "--why", "updated", *WHO).exit_code == DONE
    assert bench.json("exception", "list") == []


def test_an_evaluation_is_put_on_record(bench: WorkBench) -> None:
    words = ("advisories", "evaluated", "Tarnwick Electric", "--found", "nothing this month")
    assert bench.run(*words, *WHO).exit_code == DONE
    assert "What Tarnwick Electric released was evaluated" in bench.run("history").stdout
