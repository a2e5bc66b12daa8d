"""bayroll due: the list, and what to fetch."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from poller.journal.store import Batch, Writer
from poller.model import events as ev
from poller.model.events import Event
from poller.model.work import FirmwareStatus
from tests.cli.bench import AT
from tests.cli.work_bench import WorkBench

DONE, FOUND = 0, 1
WHO = ("--who", "Ada Quill")


def below(relay: str) -> Event:
    body = ev.FirmwareStatusChanged(
        attribute="swRev",
        before=None,
        after=FirmwareStatus.APPROVED_OLDER,
        version="5.1 SP1",
        target="5.1 SP2 HF3",
        rule="larch",
    )
    return Event(at=AT, subject=relay, body=body)


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> WorkBench:
    monkeypatch.setenv("BAYROLL_RUNTIME_DIR", str(tmp_path / "run"))
    made = WorkBench(tmp_path)
    with Writer.open(made.journal) as writer:
        writer.write([Batch(events=(below("q01-main1"),))])
    return made


def rows(bench: WorkBench, *words: str) -> list[dict[str, Any]]:
    result = bench.run("due", *words, "--json")
    assert result.exit_code == FOUND, result.output
    return [json.loads(line) for line in result.stdout.splitlines()]


def test_each_relay_and_maker_of_which_something_is_due_is_listed(bench: WorkBench) -> None:
    told = [(row["relay"] or row["maker"], row["reasons"][0]["cause"]) for row in rows(bench)]
    assert told == [
        ("q02-main1", "withdrawn"),
        ("q01-main1", "investigation"),
        ("Tarnwick Electric", "evaluation_overdue"),
    ]


def test_the_way_is_told_step_by_step(bench: WorkBench) -> None:
    (row,) = rows(bench, "--relay", "q01-main1")
    ((way,),) = ([one for one in row["ways"] if one["attribute"] == "swRev"],)
    assert [(step["version_to"], step["minutes"]) for step in way["steps"]] == [
        ("5.1 SP2", 25),
        ("5.1 SP2 HF3", 15),
    ]


def test_what_is_not_ready_is_told_to_be_so(bench: WorkBench) -> None:
    (row,) = rows(bench, "--relay", "q01-main1")
    assert (row["ready"], bool(row["in_the_way"])) == (False, True)


def test_a_person_reads_why_and_by_which_way(bench: WorkBench) -> None:
    said = bench.run("due", "--relay", "q01-main1").stdout
    assert "why: firmware 5.1 SP1 is below the target 5.1 SP2 HF3" in said
    assert (
        "way: firmware: 5.1 SP1 to 5.1 SP2 (25 min, can't be undone, needs 512 kB), then to "
        "5.1 SP2 HF3 (15 min, needs 256 kB)" in said
    )


def test_text_from_a_relay_reaches_no_terminal_as_it_is(bench: WorkBench) -> None:
    assert "V1\\x1b[2J\\u202e<b> was withdrawn" in bench.run("due").stdout


def test_an_evaluation_takes_its_maker_from_the_list(bench: WorkBench) -> None:
    words = ("advisories", "evaluated", "Tarnwick Electric", "--found", "nothing this month")
    bench.run(*words, *WHO)
    assert [row["maker"] for row in rows(bench) if row["maker"]] == []


def test_a_maker_of_no_relay_is_refused(bench: WorkBench) -> None:
    result = bench.run("advisories", "evaluated", "Tarnwik", "--found", "nothing", *WHO)
    assert (result.exit_code, "Tarnwick Electric" in result.output) == (2, True)


def test_one_bay_is_chosen(bench: WorkBench) -> None:
    assert [row["relay"] for row in rows(bench, "--bay", "q02")] == ["q02-main1"]


def test_what_to_fetch_is_told_to_paste_and_as_csv(bench: WorkBench) -> None:
    assert bench.run("due", "fetch").stdout.startswith(
        "Larch line and transformer protection, firmware 5.1 SP2\n"
    )
    out = bench.folder / "fetch.csv"
    assert bench.run("due", "fetch", "--csv", "--out", str(out)).exit_code == DONE
    assert out.read_bytes().count(b"\r\n") == 3
