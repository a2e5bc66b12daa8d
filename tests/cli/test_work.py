"""bayroll work, investigation, spare and baseline on a journal: what they print and ask for."""

from __future__ import annotations

import hashlib
import json
import unicodedata
from pathlib import Path
from typing import Any

import pytest

from poller.cli import baseline, investigation, spare, work
from poller.cli.common import Where
from poller.edges import commands
from poller.model.canonical import adapter
from poller.work import requests
from tests.cli.bench import Bench
from tests.cli.work_bench import WorkBench

DONE, FOUND, BAD_INPUT = 0, 1, 2
WINDOW = ["--start", "2096-03-01 09:00", "--end", "2096-03-01 13:00", "--zone", "Europe/Vienna"]
ASKED_BY: dict[str, Any] = {
    "work_add": requests.AddWork,
    "work_start": requests.StartWork,
    "work_end": requests.EndWork,
    "work_cancel": requests.CancelWork,
    "work_close": requests.CloseWork,
    "work_note": requests.NoteWork,
    "investigation_link": requests.LinkInvestigation,
    "disposition_give": requests.GiveDisposition,
    "spare_shelve": requests.ShelveSpare,
    "spare_remove": requests.RemoveSpare,
}


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    return WorkBench(tmp_path_factory.mktemp("shared"))


@pytest.fixture
def bench(shared: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    """Only to be read; all tests have the same."""
    monkeypatch.setenv("BAYROLL_RUNTIME_DIR", str(tmp_path / "run"))
    return shared


@pytest.fixture
def own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    monkeypatch.setenv("BAYROLL_RUNTIME_DIR", str(tmp_path / "run"))
    return WorkBench(tmp_path)


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> list[tuple[Any, str]]:
    """What would go over the control socket: the typed request, and who asks."""
    found: list[tuple[Any, str]] = []

    def ask(place: Where, op: str, args: dict[str, Any]) -> dict[str, Any]:
        told = json.loads(json.dumps(args))  # as over the socket
        who = told.pop("who")
        kind = ASKED_BY.get(op) or commands.COMMANDS[op]
        found.append((adapter(kind).validate_python(told), who))
        return {"events": 1, "kinds": [], "works": ["w8", "w9"]}

    for module in (work, investigation, spare, baseline):
        monkeypatch.setattr(module, "ask", ask)
    return found


def of(bench: Bench, asked: list[tuple[Any, str]], *words: str, who: str = "Ada Quill") -> Any:
    result = bench.run(*words, "--who", who)
    assert result.exit_code == DONE, result.output
    ((request, told),) = asked
    assert told == who
    return request


def test_list_has_what_is_open(bench: Bench) -> None:
    assert [row["id"] for row in bench.json("work", "list")] == ["w1"]


@pytest.mark.parametrize(
    ("words", "found"),
    [
        (["--all"], ["w1", "w2"]),
        (["--state", "cancelled"], ["w2"]),
        (["q02-main1"], []),
        (["q02-main1", "--all"], ["w2"]),
    ],
)
def test_list_chooses(bench: Bench, words: list[str], found: list[str]) -> None:
    assert [row["id"] for row in bench.json("work", "list", *words)] == found


def test_show_tells_the_window_in_its_zone_and_what_to_do(bench: Bench) -> None:
    told = bench.run("work", "show", "w1").stdout
    assert "window 2096-03-01 08:00 +01:00 Europe/Vienna to 2096-03-01 12:00" in told
    assert "planned, for " in told
    assert "next: " in told


def test_show_tells_each_obstacle_with_its_cure(bench: Bench) -> None:
    ways = bench.json("work", "show", "w1")[0]["in_the_way"]
    assert "baseline" in {way["rule"] for way in ways}
    told = bench.run("work", "show", "w1").stdout
    assert told.count("    mend: ") == len(ways)


def test_show_still_tells_what_is_recorded_where_the_site_file_has_faults(
    own: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(
        "poller.cli.work_look.common.where",
        lambda site: Where(site_file=own.site_file, journal=own.journal),
    )
    own.site_file.write_text("format: 7\n")
    assert own.json("work", "show", "w1")[0]["in_the_way"] is None


@pytest.mark.parametrize("html", [False, True])
def test_the_sheet_is_printed_or_written(bench: Bench, tmp_path: Path, html: bool) -> None:
    words = ["work", "sheet", "w1", *(["--html"] if html else [])]
    printed = bench.run(*words)
    file = tmp_path / "sheet"
    written = bench.run(*words, "--out", str(file))
    assert (printed.exit_code, written.exit_code) == (DONE, DONE), printed.output
    for told in (printed.stdout, file.read_text()):
        assert "Work sheet w1: Q01 main 1" in told
        assert told.startswith("<!DOCTYPE html>") == html


def test_a_sheet_is_not_written_over_a_file(bench: Bench) -> None:
    result = bench.run("work", "sheet", "w1", "--out", str(bench.site_file))
    assert (result.exit_code, "not written over" in result.output) == (BAD_INPUT, True)


LOOKS = [
    ["work", "list", "--all"],
    ["work", "show", "w1"],
    ["work", "show", "w2"],
    ["work", "sheet", "w2"],
    ["work", "sheet", "w2", "--html"],
    ["baseline", "show"],
    ["baseline", "diff"],
    ["investigation", "show", "i8"],
    ["investigation", "show", "i9"],
    ["spare", "list"],
    ["list"],
    ["show", "q02-main1"],
    ["history"],
    ["history", "--serial", "K7"],
]
HAVE_NONE = [["investigation", "list"]]


@pytest.mark.parametrize("words", [*LOOKS, *HAVE_NONE], ids=" ".join)
def test_text_of_relays_and_people_reaches_no_terminal_as_it_is(
    bench: Bench, words: list[str]
) -> None:
    shown = bench.run(*words).stdout
    assert ("\\x1b" in shown) == (words not in HAVE_NONE)
    assert not {c for c in shown if unicodedata.category(c) in ("Cc", "Cf")} - {"\n"}


def test_add_asks_for_one_piece_for_each_relay(bench: Bench, asked: list[tuple[Any, str]]) -> None:
    words = ["q01-main1", "q02-main1", *WINDOW, "--to", "5.3", "--reference", "WO 7"]
    request = of(bench, asked, "work", "add", *words)
    assert (request.relays, request.kind, request.expects, request.zone, request.reference) == (
        ("q01-main1", "q02-main1"),
        "update",
        {"swRev": "5.3"},
        "Europe/Vienna",
        "WO 7",
    )
    assert (request.start.isoformat(), request.end.isoformat()) == (
        "2096-03-01T08:00:00+00:00",
        "2096-03-01T12:00:00+00:00",
    )


@pytest.mark.parametrize(
    ("vendor", "known"), [("Tarnwick Electric", True), ("tarnwick electric", False)]
)
def test_a_spare_of_a_family_that_no_relay_tells_is_said_to_be_one(
    own: Bench, vendor: str, known: bool
) -> None:
    words = ["ABC1", "--vendor", vendor, "--model", "LARCH-21", "--shelf", "B", "--who", "x"]
    told = own.run("spare", "shelve", *words).stdout
    assert ("write them as the relays do: Tarnwick Electric LARCH-21" in told) is not known


def test_an_accepted_baseline_leaves_open_what_nobody_answered_for(own: Bench) -> None:
    words = ["q01-main1", "--who", "Ada Quill", "--why", "let it be"]
    told = own.run("baseline", "accept", *words).stdout.splitlines()
    assert told[0] == "baseline accepted for 1: q01-main1"
    assert told[1].startswith(
        "  q01-main1: investigation i1 stays open; say what it was: bayroll investigation dispose "
        "i1. firmware changed from 5.1 SP2 to 5.2"
    )
    assert told[2:] == ["  q01-main1: device firmware 5.2: no rule"]


def test_add_says_under_which_ids(bench: Bench, asked: list[tuple[Any, str]]) -> None:
    words = ["q01-main1", "q02-main1", *WINDOW, "--to", "5.3", "--who", "x"]
    told = bench.run("work", "add", *words).stdout
    assert told.splitlines() == [
        "w8: planned on q01-main1; see: bayroll work show w8",
        "w9: planned on q02-main1; see: bayroll work show w9",
    ]


def test_add_says_at_once_that_no_step_leads_to_the_version(own: Bench) -> None:
    """Not on the day of the outage."""
    words = ["q02-main1", *WINDOW, "--to", "9.9", "--who", "x"]
    told = own.run("work", "add", *words).stdout.splitlines()
    assert told[0] == "w3: planned on q02-main1; see: bayroll work show w3"
    assert told[1].startswith("  in the way (present-version): no rule of the approved list")
    assert [line.split(":")[0] for line in told[2:]] == ["    mend"]


def test_add_takes_the_sums_of_the_settings_files(
    bench: Bench, asked: list[tuple[Any, str]], tmp_path: Path
) -> None:
    before, after = tmp_path / "q01.set", tmp_path / "q01-new.set"
    before.write_bytes(b"old")
    after.write_bytes(b"new")
    words = ["--settings", str(before), "--settings-after", str(after), "--reviewed-by", "M. Orne"]
    request = of(bench, asked, "work", "add", "q01-main1", *WINDOW, "--to", "5.3", *words)
    told = request.settings
    assert (told.name, told.sha256_before, told.sha256_after, told.reviewed_by) == (
        "q01.set",
        hashlib.sha256(b"old").hexdigest(),
        hashlib.sha256(b"new").hexdigest(),
        "M. Orne",
    )


def test_add_expects_what_a_spare_on_the_shelf_tells_unless_it_is_named(
    bench: Bench, asked: list[tuple[Any, str]]
) -> None:
    words = ["--replace", "--spare", "TW1900044", "--expect", "orderCode=L21-B"]
    request = of(bench, asked, "work", "add", "q01-main1", *WINDOW, *words)
    assert (request.kind, request.expects) == (
        "replacement",
        {"serNum": "TW1900044", "orderCode": "L21-B", "swRev": "5.3"},
    )


def test_add_reads_times_in_the_machines_zone_where_none_is_named(
    bench: Bench, asked: list[tuple[Any, str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TZ", "America/St_Johns")
    request = of(bench, asked, "work", "add", "q01-main1", *WINDOW[:4], "--to", "5.3")
    assert (request.zone, request.start.isoformat()) == (
        "America/St_Johns",
        "2096-03-01T12:30:00+00:00",
    )


@pytest.mark.parametrize(
    ("words", "request_"),
    [
        (["work", "start", "w1"], requests.StartWork(work="w1")),
        (
            ["work", "start", "w1", "--although", "storm"],
            requests.StartWork(work="w1", although="storm"),
        ),
        (["work", "end", "w1"], requests.EndWork(work="w1")),
        (
            ["work", "note", "w1", "protocol 7", "--kind", "tested"],
            requests.NoteWork(work="w1", note=requests.NoteKind.TESTED, text="protocol 7"),
        ),
        (
            ["work", "note", "w1", "rain"],
            requests.NoteWork(work="w1", note=requests.NoteKind.REMARK, text="rain"),
        ),
        (["work", "cancel", "w1", "--why", "y"], requests.CancelWork(work="w1", why="y")),
        (["work", "close", "w1", "--why", "y"], requests.CloseWork(work="w1", why="y")),
        (
            ["investigation", "link", "i8", "w1"],
            requests.LinkInvestigation(investigation="i8", work="w1"),
        ),
        (
            ["investigation", "dispose", "i8", "--as", "false_reading", "--why", "y"],
            requests.GiveDisposition(
                investigation="i8", disposition=requests.Disposition.FALSE_READING, why="y"
            ),
        ),
        (
            ["spare", "shelve", "S9", "--vendor", "Tarn", "--shelf", "A3", "--firmware", "5.1"],
            requests.ShelveSpare(vendor="Tarn", serNum="S9", shelf="A3", swRev="5.1"),
        ),
        (
            [
                *("spare", "shelve", "TW1900044", "--shelf", "A4", "--tested-on", "2026-03-01"),
                *("--model", "M", "--order-code", "O"),
            ],
            requests.ShelveSpare(
                vendor="Tarnwick Electric",
                serNum="TW1900044",
                shelf="A4",
                model="M",
                orderCode="O",
                tested_on="2026-03-01",
            ),
        ),
        (
            ["spare", "remove", "TW1900044", "--why", "y"],
            requests.RemoveSpare(vendor="Tarnwick Electric", serNum="TW1900044", why="y"),
        ),
    ],
    ids=lambda value: " ".join(value[:2]) if isinstance(value, list) else "",
)
def test_what_people_ask_goes_out_as_its_request(
    bench: Bench, asked: list[tuple[Any, str]], words: list[str], request_: Any
) -> None:
    assert of(bench, asked, *words) == request_


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["work", "show", "w99"], "no such work"),
        (["work", "sheet", "w99"], "no such work"),
        (["work", "list", "q99"], "no such relay"),
        (["investigation", "show", "i99"], "no such investigation"),
        (["investigation", "list", "q99"], "no such relay"),
        (["baseline", "diff", "q99"], "no such relay"),
        (["work", "add", "q01-main1", *WINDOW[:4], "--zone", "Nowhere/At"], "no time zone"),
        (
            ["work", "add", "q01-main1", "--start", "soon", *WINDOW[2:]],
            "write it as 2026-03-01 09:00",
        ),
        (
            ["work", "add", "q01-main1", *WINDOW, "--replace", "--kind", "update"],
            "give one of them",
        ),
        (["work", "add", "q01-main1", *WINDOW, "--spare", "TW1900044"], "give --replace"),
        (["work", "add", "q01-main1", *WINDOW, "--replace", "--spare", "0"], "no such box"),
        (["work", "add", "q01-main1", *WINDOW, "--expect", "swRev"], "ATTRIBUTE=TEXT"),
        (["work", "add", "q01-main1", *WINDOW, "--settings", "/nowhere"], "can't be read"),
        (["work", "add", "q01-main1", *WINDOW, "--reviewed-by", "x"], "--settings FILE is needed"),
        (["spare", "remove", "S9"], "name its maker with --vendor"),
    ],
)
def test_what_can_not_be_done_says_why(bench: Bench, words: list[str], says: str) -> None:
    who = ["--who", "x"] if words[1] in ("add", "remove") else []
    result = bench.run(*words, *who)
    assert (result.exit_code, says in result.output) == (BAD_INPUT, True), result.output


def test_open_investigations_end_the_list_with_one(bench: Bench) -> None:
    result = bench.run("investigation", "list", "--json")
    rows = [json.loads(line) for line in result.stdout.splitlines()]
    mine = [row for row in rows if row["id"] in ("i8", "i9")]
    assert (result.exit_code, [row["id"] for row in mine]) == (FOUND, ["i8"])
    assert mine[0]["age_s"] > 0
    assert bench.run("investigation", "list", "q03-main1").exit_code == DONE


def test_a_closed_investigation_says_what_it_was(bench: Bench) -> None:
    told = bench.run("investigation", "show", "i9").stdout
    assert "closed as a mistake by Ada Quill (uid 7)" in told


def test_spares_are_listed_with_all_that_is_known(bench: Bench) -> None:
    row = next(row for row in bench.json("spare", "list") if row["serNum"] == "TW1900044")
    told = (row["orderCode"], row["swRev"], row["tested_on"])
    assert told == ("L21-A", "5.3", "2026-02-11")


def test_a_box_is_followed_by_its_serial_number(bench: Bench) -> None:
    rows = bench.json("history", "--serial", "TW1900001")
    assert rows[0]["kind"] == "nameplate_first_read"
    assert {"nameplate_changed", "flag_rose"} <= {row["kind"] for row in rows}
    assert {row["subject"] for row in rows} == {"q01-main1"}
    told = bench.run("history", "--serial", "TW1900001", "--last", "1").stdout
    assert told.startswith("Tarnwick Electric serial number TW1900001:\n")
    assert " to now  Q01 main 1\n" in told


def test_list_and_show_tell_firmware_status_and_what_is_open(bench: Bench) -> None:
    row = bench.json("list", "--firmware-status", "withdrawn")[0]
    assert (row["id"], row["investigations"][-1]) == ("q02-main1", "i8")
    assert {row["id"] for row in bench.json("list", "--open")} == {"q01-main1", "q02-main1"}
    assert "firmware: withdrawn; target 5.3 (rule larch-x)" in bench.run("show", "q02-main1").stdout
    assert "work w1, firmware update" in bench.run("show", "q01-main1").stdout


def test_accept_takes_a_bay_or_a_family(bench: Bench, asked: list[tuple[Any, str]]) -> None:
    request = of(bench, asked, "baseline", "accept", "--bay", "Q01", "--why", "y")
    assert request.relays == ("q01-main1",)


def test_accept_by_family_takes_the_name_of_the_approved_list(
    bench: Bench, asked: list[tuple[Any, str]]
) -> None:
    request = of(bench, asked, "baseline", "accept", "--family", "LARCH-21", "--why", "y")
    assert request.relays == ("q01-main1", "q02-main1")


def test_accept_where_none_is_to_be_accepted_says_so(bench: Bench) -> None:
    result = bench.run("baseline", "accept", "--bay", "Q04", "--who", "x", "--why", "y")
    assert (result.exit_code, "no relay of these" in result.output) == (FOUND, True)


def test_the_baseline_is_shown_and_its_differences(own: Bench) -> None:
    own.json("baseline", "accept", "q01-main1", "--who", "Ada Quill", "--why", "survey")
    assert own.run("baseline", "diff", "q01-main1").exit_code == DONE
    told = own.run("baseline", "show", "q01-main1").stdout
    assert "survey" in told
    assert "  firmware 5.2" in told
    (row,) = own.json("baseline", "show", "q01-main1")
    assert (row["word"], row["accepted"]["swRev"]) == ("accepted", "5.2")
