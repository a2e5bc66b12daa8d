"""bayroll plan: table, spreadsheet, calendar, picture, and planned work from it.

Calendars are read by the library icalendar, and lines counted by RFC 5545, 3.1.
"""

from __future__ import annotations

import csv
import io
import json
import shutil
from datetime import timedelta
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import icalendar
import pytest

from poller.cli.shipped import config_folder
from poller.journal import Journal
from poller.journal.store import Batch, Writer
from poller.model import events as ev
from poller.model.events import Event
from poller.model.work import FirmwareStatus
from tests.cli.bench import AT, HOSTILE, Bench

DONE, FOUND, BAD = 0, 1, 2
WHO = ("--who", "Ada Quill")
WINDOWS = """\
format: 1
zone: Europe/London
windows:
  - {id: q01, start: 2096-06-12 08:00, end: 2096-06-12 16:00, bays: [Q01], crew: {people: 2},
     reference: "=1+1; a, b"}
  - {id: q02, start: 2096-09-12 08:00, end: 2096-09-12 16:00, bays: [Q02], crew: {people: 2}}
pilot: {stop: ["It tripped; nobody knows why, and it did so where a line would be folded äöü."]}
"""


def below(relay: str, version: str) -> Event:
    body = ev.FirmwareStatusChanged(
        attribute="swRev",
        before=None,
        after=FirmwareStatus.APPROVED_OLDER,
        version=version,
        target="5.1 SP2 HF3",
        rule="larch",
    )
    return Event(at=AT, subject=relay, body=body)


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    monkeypatch.setenv("BAYROLL_RUNTIME_DIR", str(tmp_path / "run"))
    made = Bench(tmp_path)
    (tmp_path / "outages.yaml").write_text(WINDOWS, encoding="utf-8")
    with Writer.open(made.journal) as writer:
        told = (below("q01-main1", "5.1 SP1"), below("q02-main1", "5.1 SP2"))
        writer.write([Batch(events=told)])
    return made


def rows(bench: Bench, *words: str) -> list[dict[str, Any]]:
    result = bench.run("plan", *words, "--json")
    return [json.loads(line) for line in result.stdout.splitlines()]


def calendar(bench: Bench, name: str = "plan.ics", *words: str) -> bytes:
    file = bench.folder / name
    result = bench.run("plan", "--ics", "--out", str(file), *words)
    assert result.exit_code == DONE, result.output
    return file.read_bytes()


def events(data: bytes) -> list[Any]:
    return list(icalendar.Calendar.from_ical(data).walk("VEVENT"))


def test_each_step_has_its_window(bench: Bench) -> None:
    told = [
        (row["window"], row["relay"], row["start"], row["version_to"], row["pilot"])
        for row in rows(bench)
        if row["kind"] == "step"
    ]
    # 10 min read back, 25 and 15 min of the approved list, 60 min test: 95 min, then 85 min
    assert told == [
        ("q01", "q01-main1", "2096-06-12 08:00", "5.1 SP2", True),
        ("q01", "q01-main1", "2096-06-12 09:35", "5.1 SP2 HF3", True),
        ("q02", "q02-main1", "2096-09-12 08:00", "5.1 SP2 HF3", False),
    ]


def test_it_is_told_that_the_plan_is_proven(bench: Bench) -> None:
    (told,) = [row for row in rows(bench) if row["kind"] == "plan"]
    assert (told["optimal"], told["bound"]) == (True, told["days"])


def test_without_the_solver_no_bound_is_told(bench: Bench) -> None:
    (told,) = [row for row in rows(bench, "--no-solver") if row["kind"] == "plan"]
    assert (told["optimal"], told["bound"]) == (False, None)


def test_where_the_solver_is_missing_it_is_said(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("poller.planning.outages.plan.installed", lambda: False)
    monkeypatch.setattr("poller.cli.plan.installed", lambda: False)
    result = bench.run("plan")
    assert "pip install 'bayroll[plan]'" in result.stderr
    assert "made without a solver" in result.stdout


def test_the_pilots_hold_and_what_ends_it_are_told(bench: Bench) -> None:
    said = bench.run("plan").stdout
    assert "hold: the rest of larch until 2096-07-12 16:00, after Q01 main 1" in said
    assert "It tripped; nobody knows why" in said


def test_what_work_asks_for_is_told_every_time(bench: Bench) -> None:
    assert "Isolate the trips" in bench.run("plan").stdout


def test_what_has_no_place_is_told_and_ends_with_one(bench: Bench) -> None:
    text = WINDOWS.replace("bays: [Q02]", "bays: [Q03]")
    (bench.folder / "outages.yaml").write_text(text, encoding="utf-8")
    result = bench.run("plan")
    assert result.exit_code == FOUND
    assert "not placed: Q02 main 1 (q02-main1) to 5.1 SP2 HF3 (bay)" in result.stdout


def test_a_spreadsheet_takes_nothing_of_it_for_a_formula(bench: Bench) -> None:
    told = bench.run("plan", "--csv").stdout_bytes.decode("utf-8-sig")
    table = list(csv.DictReader(io.StringIO(told)))
    assert next((row["window"], row["reference"]) for row in table) == ("q01", "'=1+1; a, b")


def test_a_calendar_has_an_event_for_each_step_and_the_hold(bench: Bench) -> None:
    told = [(str(one["SUMMARY"]), one["DTSTART"].dt.isoformat()) for one in events(calendar(bench))]
    # London is an hour before UTC in summer
    assert told == [
        ("Q01 main 1: firmware 5.1 SP1 to 5.1 SP2 (pilot)", "2096-06-12T07:00:00+00:00"),
        ("Q01 main 1: firmware 5.1 SP2 to 5.1 SP2 HF3 (pilot)", "2096-06-12T08:35:00+00:00"),
        ("Q02 main 1: firmware 5.1 SP2 to 5.1 SP2 HF3", "2096-09-12T07:00:00+00:00"),
        ("Hold of Q01 main 1, the pilot of larch", "2096-06-12T15:00:00+00:00"),
    ]


def test_text_comes_out_of_a_calendar_as_it_went_in(bench: Bench) -> None:
    first, *_, hold = events(calendar(bench))
    assert "Outage q01, =1+1; a, b\n" in str(first["DESCRIPTION"])
    assert "- It tripped; nobody knows why, and it did so where a line would be folded äöü." in str(
        hold["DESCRIPTION"]
    )


def test_a_calendars_lines_are_of_75_octets_at_most(bench: Bench) -> None:
    data = calendar(bench)
    assert data.endswith(b"END:VCALENDAR\r\n")
    assert max(len(line) for line in data.split(b"\r\n")) <= 75
    assert data.count(b"\n") == data.count(b"\r\n")


def test_a_calendars_events_keep_their_ids_where_the_plan_moves(bench: Bench) -> None:
    before = {str(one["UID"]) for one in events(calendar(bench))}
    text = WINDOWS.replace("2096-06-12", "2096-06-19")
    (bench.folder / "outages.yaml").write_text(text, encoding="utf-8")
    assert {str(one["UID"]) for one in events(calendar(bench, "later.ics"))} == before
    assert len(before) == 4


def test_the_picture_tells_in_words_what_it_shows(bench: Bench) -> None:
    drawn = ElementTree.fromstring(bench.run("plan", "--svg").stdout)  # noqa: S314 - our own
    told = drawn.find("{http://www.w3.org/2000/svg}desc")
    assert told is not None
    assert told.text is not None
    assert "q02: q02-main1 to 5.1 SP2 HF3" in told.text
    assert not [one for one in drawn.iter() if "style" in one.attrib or "fill" in one.attrib]


def test_work_is_entered_on_request(bench: Bench) -> None:
    result = bench.run("plan", "--add-work", *WHO)
    assert result.exit_code == DONE, result.output
    with Journal.open(bench.journal) as journal:
        plans = [work.plan for work in journal.state().works.values()]
    told = [(one.relay, one.expects, one.reference, one.end - one.start) for one in plans]
    # the first relay's window of eight hours is parted after its first step, at 95 min
    assert told == [
        ("q01-main1", {"swRev": "5.1 SP2"}, "=1+1; a, b", timedelta(minutes=95)),
        ("q01-main1", {"swRev": "5.1 SP2 HF3"}, "=1+1; a, b", timedelta(minutes=385)),
        ("q02-main1", {"swRev": "5.1 SP2 HF3"}, "outage q02", timedelta(hours=8)),
    ]


def test_who_enters_it_is_asked_before_anything_is_planned(bench: Bench) -> None:
    result = bench.run("plan", "--add-work")
    assert (result.exit_code, result.stdout) == (BAD, "")
    assert "--who is needed" in result.stderr


def test_what_is_planned_already_is_not_planned_again(bench: Bench) -> None:
    bench.run("plan", "--add-work", *WHO)
    again = bench.run("plan", "--json")
    told = [json.loads(line) for line in again.stdout.splitlines()]
    assert [(row["relay"], row["rule"]) for row in told if row["kind"] == "not_placed"] == [
        ("q01-main1", "planned"),
        ("q02-main1", "planned"),
    ]
    assert again.exit_code == DONE


def test_relays_without_a_step_are_counted_beside_the_steps(bench: Bench) -> None:
    assert "3 of 3 steps in 2 of 2 windows; " in bench.run("plan").stdout
    bench.run("plan", "--add-work", *WHO)
    told = bench.run("plan").stdout
    assert "0 of 0 steps in 0 of 2 windows, beside 2 relays without a step to place; " in told


def test_a_file_that_is_not_there_is_told(bench: Bench) -> None:
    result = bench.run("plan", "--outages", str(bench.folder / "none.yaml"))
    assert result.exit_code == BAD
    assert "[outages-file-unreadable]" in result.stderr


def test_text_of_a_device_can_do_nothing(bench: Bench) -> None:
    with Writer.open(bench.journal) as writer:
        writer.write([Batch(events=(below("q02-main1", HOSTILE),))])
    for words in ((), ("--json",), ("--csv",), ("--svg",), ("--ics",)):
        told = bench.run("plan", *words).stdout
        assert "\x1b" not in told
        assert "\u202e" not in told


def test_the_file_that_ships_can_be_planned_with(bench: Bench) -> None:
    shutil.copy(config_folder() / "outages.yaml", bench.folder)
    assert "weighted days until done" in bench.run("plan", "--no-solver").stdout
