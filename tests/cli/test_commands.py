"""The command line on a journal, with no service running: what it prints and how it ends."""

from __future__ import annotations

import json
import unicodedata
from importlib.metadata import version
from pathlib import Path

import pytest
from typer.testing import CliRunner

from poller.cli import common
from poller.cli.app import app
from poller.journal.store import Batch, Writer
from poller.model.events import BaselineAccepted, Event
from tests.cli.bench import AT, Bench, nameplate

DONE, FOUND, BAD_INPUT, UNREACHABLE = 0, 1, 2, 3


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    monkeypatch.setenv("BAYROLL_RUNTIME_DIR", str(tmp_path / "run"))
    return Bench(tmp_path)


def test_list_has_a_row_for_each_relay(bench: Bench) -> None:
    rows = bench.json("list")
    assert len(rows) == 24
    changed = next(row for row in rows if row["id"] == "q01-main1")
    assert (changed["swRev"], changed["baseline"]) == ("5.2", "new")
    assert changed["flags"] == ["firmware_changed"]


def test_list_chooses(bench: Bench) -> None:
    assert [row["id"] for row in bench.json("list", "--flag", "firmware_changed")] == ["q01-main1"]
    assert {row["bay"] for row in bench.json("list", "--bay", "Q03")} == {"Q03"}


@pytest.mark.parametrize("words", [["list"], ["show", "q02-main1"], ["history"]])
def test_text_from_a_relay_reaches_no_terminal_as_it_is(bench: Bench, words: list[str]) -> None:
    shown = bench.run(*words).stdout
    assert "\\x1b" in shown
    assert not {c for c in shown if unicodedata.category(c) in ("Cc", "Cf")} - {"\n"}


def test_history_tells_the_change_in_a_sentence(bench: Bench) -> None:
    told = bench.run("history", "q01-main1").stdout
    assert "Q01 main 1: firmware changed from 5.1 SP2 to 5.2 (newer), and nobody" in told


def test_history_by_kind(bench: Bench) -> None:
    rows = bench.json("history", "--kind", "flag_rose")
    assert [row["kind"] for row in rows] == ["flag_rose"]


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (["show", "q99"], BAD_INPUT, "no such relay"),
        (["history", "q99"], BAD_INPUT, "no such relay"),
        (["history", "--kind", "nonsense"], BAD_INPUT, "no such kind"),
        (["baseline", "accept", "q01-main1", "--why", "x"], BAD_INPUT, "--who is needed"),
        (["baseline", "accept", "q01-main1", "--who", "x"], BAD_INPUT, "--why is needed"),
        (
            ["baseline", "accept", "q03-main1", "--who", "x", "--why", "y"],
            BAD_INPUT,
            "nothing to accept",
        ),
        (["record", "q03-main1", "swRev", "--who", "x"], BAD_INPUT, "ATTRIBUTE=TEXT"),
        (["record", "q03-main1", "colour=red", "--who", "x"], BAD_INPUT, "no nameplate attribute"),
        (
            ["record", "q03-main1", "swRev=1", "--who", "x", "--at", "2026-03-01T10:00"],
            BAD_INPUT,
            "offset",
        ),
        (["resume", "q01-main1", "--who", "x"], BAD_INPUT, "not paused"),
        (["status"], UNREACHABLE, "bayroll run"),
        (["journal", "verify", "--head", "12"], BAD_INPUT, "SEQ:HASH"),
    ],
)
def test_what_can_not_be_done_says_why(
    bench: Bench, words: list[str], code: int, says: str
) -> None:
    result = bench.run(*words)
    assert (result.exit_code, says in result.output) == (code, True), result.output


def test_without_a_site_and_a_service_it_asks_which(bench: Bench) -> None:
    result = bench.run("list", site=False)
    assert result.exit_code == BAD_INPUT
    assert "--site FILE" in result.output


def test_a_panel_that_says_otherwise_than_the_network_is_told(bench: Bench) -> None:
    words = ["serNum=TW1900001", "swRev=5.1", "orderCode=L21", "--who", "x"]
    told = bench.run("record", "q01-main1", *words).stdout.splitlines()
    assert told[0].startswith("q01-main1: 3 values entered")
    assert told[1] == "  firmware: over the network it is 5.2, which stands"
    assert [line.split(":")[0] for line in told[2:]] == ["    mend"]


def test_a_baseline_is_recorded_with_who_and_why(bench: Bench) -> None:
    words = ["--who", "Ada Quill", "--why", "first survey", "--reference", "WO 12"]
    bench.json("baseline", "accept", "q01-main1", *words)
    row = bench.json("history", "--kind", "baseline_accepted")[0]
    assert row["by"].startswith("Ada Quill (uid ")
    shown = bench.json("show", "q01-main1")[0]["baseline"]
    said = (shown["word"], shown["why"], shown["reference"])
    assert said == ("accepted", "first survey", "WO 12")


def test_all_new_takes_those_that_were_read(bench: Bench) -> None:
    bench.json("baseline", "accept", "--all-new", "--who", "x", "--why", "y")
    accepted = [row["id"] for row in bench.json("list", "--baseline", "accepted")]
    assert accepted == ["q01-main1", "q02-main1"]


def test_a_front_panel_reading_is_manual(bench: Bench) -> None:
    at = ["--who", "x", "--at", "2026-03-01T10:00+01:00"]
    bench.json("record", "q03-main1", "swRev=5.1 SP1", *at)
    row = next(row for row in bench.json("list") if row["id"] == "q03-main1")
    assert (row["swRev"], row["quality"]) == ("5.1 SP1", "manual")


def test_pause_and_resume_are_kept_for_the_next_start(bench: Bench) -> None:
    bench.json("pause", "q01-main1", "--who", "x", "--why", "y")
    assert next(r for r in bench.json("list") if r["id"] == "q01-main1")["paused"]
    bench.json("resume", "q01-main1", "--who", "x")
    assert not next(r for r in bench.json("list") if r["id"] == "q01-main1")["paused"]


def test_a_journal_held_by_another_process_is_not_written(bench: Bench) -> None:
    with Writer.open(bench.journal):
        result = bench.run("pause", "q01-main1", "--who", "x", "--why", "y")
    assert result.exit_code == UNREACHABLE


def test_verify_names_the_first_broken_event(bench: Bench) -> None:
    with Writer.open(bench.journal) as writer:
        writer.connection.execute("UPDATE event SET stored = CAST('{}' AS BLOB) WHERE seq = 3")
    result = bench.run("journal", "verify")
    assert result.exit_code == FOUND
    assert "broken at event 3" in result.output


def test_verify_against_a_head_noted_elsewhere_shows_a_cut_tail(bench: Bench) -> None:
    head = bench.json("journal", "verify")[0]
    with Writer.open(bench.journal) as writer:
        writer.connection.execute("DELETE FROM event WHERE seq = ?", (head["seq"],))
    assert bench.run("journal", "verify").exit_code == FOUND, "the lock file notes the head too"
    bench.journal.with_name(bench.journal.name + ".lock").unlink()
    assert bench.run("journal", "verify").exit_code == DONE
    result = bench.run("journal", "verify", "--head", f"{head['seq']}:{head['hash']}")
    assert result.exit_code == FOUND


def test_export_prints_each_event_as_a_line(bench: Bench) -> None:
    lines = bench.run("journal", "export").stdout.splitlines()
    assert [json.loads(line)["seq"] for line in lines] == list(range(1, len(lines) + 1))


def test_recover_saves_what_verifies(bench: Bench, tmp_path: Path) -> None:
    with Writer.open(bench.journal) as writer:
        writer.connection.execute("UPDATE event SET kind = 'x' WHERE seq = 20")
    new = tmp_path / "saved.journal"
    result = bench.run("journal", "recover", str(bench.journal), str(new), site=False)
    assert result.exit_code == FOUND
    assert "19 events kept" in result.output
    assert bench.run("journal", "verify", "--file", str(new)).exit_code == DONE


def test_recover_tells_that_passwords_stay_behind(bench: Bench, tmp_path: Path) -> None:
    words = ["journal", "recover", str(bench.journal)]
    assert "passwords" not in bench.run(*words, str(tmp_path / "one.journal"), site=False).output
    users = bench.journal.with_name(f"{bench.journal.name}.users")
    users.write_text("{}")
    told = bench.run(*words, str(tmp_path / "two.journal"), site=False).output
    assert f"cp --preserve=all {users} {tmp_path / 'two.journal.users'}" in told.replace("\n", " ")


def test_check_finds_nothing_wrong_with_the_shipped_site(bench: Bench) -> None:
    result = bench.run("check", str(bench.site_file), site=False)
    assert result.exit_code == DONE
    assert "no faults" in result.output


def test_check_tells_the_faults_of_all_files_at_once(bench: Bench) -> None:
    bench.site_file.write_text(bench.site_file.read_text().replace("127.1.1.2", "127.1.1.0/24"))
    larch = bench.folder / "maps" / "larch.yaml"
    larch.write_text(larch.read_text().replace("length: 11", "length: 99"))
    result = bench.run("check", str(bench.site_file), site=False)
    assert result.exit_code == BAD_INPUT
    assert "[site-host]" in result.output
    assert "[map-length]" in result.output


def test_check_tells_how_to_save_a_map_in_another_encoding(bench: Bench) -> None:
    larch = bench.folder / "maps" / "larch.yaml"
    larch.write_text(f"# Überstrom\n{larch.read_text()}", encoding="latin-1")
    result = bench.run("check", str(bench.site_file), site=False)
    assert "it is not UTF-8 text [site-map-missing]\n    mend: save it as UTF-8\n" in result.output


def test_schema_prints_each_that_it_names(bench: Bench) -> None:
    names = bench.run("schema", site=False).stdout.split()
    every = json.loads(bench.run("schema", "--all", site=False).stdout)
    assert names == sorted(every)
    for name in ("asyncapi", names[0], names[-1]):
        assert json.loads(bench.run("schema", name, site=False).stdout) == every[name] != {}


def test_a_reading_can_be_entered_before_a_service_ever_ran(bench: Bench) -> None:
    bench.journal.unlink()
    bench.journal.with_name(bench.journal.name + ".lock").unlink()
    bench.json("record", "q03-main1", "swRev=5.1 SP1", "--who", "x")
    row = next(row for row in bench.json("list") if row["id"] == "q03-main1")
    assert (row["swRev"], row["quality"]) == ("5.1 SP1", "manual")


SAME = "q01-main1, q01-main2 are all Q01 main 1: "


def test_check_says_which_relays_people_can_not_tell_apart(bench: Bench) -> None:
    check = ("check", str(bench.site_file))
    assert bench.run(*check, site=False).stderr == ""
    before, own, after = bench.site_file.read_text().partition("id: q01-main2")
    assert "function: main 2" in after
    bench.site_file.write_text(
        before + own + after.replace("function: main 2", "function: MAIN 1", 1)
    )
    result = bench.run(*check, site=False)
    assert (result.exit_code, SAME in result.stderr) == (DONE, True)
    assert result.stdout.count("no faults") == 1


@pytest.mark.parametrize(
    ("named", "says"),
    [
        ("gone/b.journal", "there is no folder "),
        (".", " is a folder"),
        ("~/b.journal", "~ is no home folder here"),
    ],
)
def test_check_says_where_no_journal_can_be(bench: Bench, named: str, says: str) -> None:
    text = bench.site_file.read_text()
    file = "  file: bayroll.journal "
    assert text.count(file) == 1
    bench.site_file.write_text(text.replace(file, f"  file: {named} "))
    result = bench.run("check", str(bench.site_file), site=False)
    assert (result.exit_code, result.stdout.count("no faults")) == (DONE, 1)
    assert "journal.file: " in result.stderr
    assert says in " ".join(result.stderr.split())
    assert "mend: " in result.stderr


PEOPLE = "  opcua: {people: [{name: desk, password: {file: desk.password}}]}\n"


def test_check_says_which_password_can_not_be_read(bench: Bench) -> None:
    text = bench.site_file.read_text()
    bench.site_file.write_text(text.replace("  mqtt: {}\n", f"  mqtt: {{}}\n{PEOPLE}", 1))
    check = ("check", str(bench.site_file))
    result = bench.run(*check, site=False)
    told = " ".join(result.stderr.split())
    assert "outputs.opcua.people[0].password.file: " in told
    assert "desk.password can't be read here: No such file or directory" in told
    assert (result.exit_code, result.stdout.count("no faults")) == (DONE, 1)
    (bench.site_file.parent / "desk.password").write_text("a dale and a fell")
    assert bench.run(*check, site=False).stderr == ""


@pytest.mark.parametrize(
    "words",
    [
        ["show", "{}"],
        ["history", "{}"],
        ["alarms", "{}"],
        ["due", "--relay", "{}"],
        ["pause", "{}", "--who", "x", "--why", "y"],
        ["record", "{}", "swRev=1", "--who", "x"],
    ],
)
@pytest.mark.parametrize("asked", ["Q02 main 1", "Q02-MAIN1", "q02-mian1"])
def test_a_relay_that_is_called_otherwise_is_told_by_its_id(
    bench: Bench, words: list[str], asked: str
) -> None:
    result = bench.run(*(word.format(asked) for word in words))
    assert (result.exit_code, f"{asked}: " in result.stderr) == (BAD_INPUT, True)
    assert "there is q02-main1" in result.stderr or "there are q02-main1, " in result.stderr


def test_the_roll_has_the_ids_that_commands_ask_for(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    for width in (80, 240):
        monkeypatch.setattr(common.out, "width", width)
        lines = bench.run("list").stdout.splitlines()
        assert sum(line.startswith("q02-main1 ") for line in lines) == 1, width
        assert max(map(len, lines)) <= width


def test_a_narrow_roll_says_what_it_leaves_out_yet_not_that_a_baseline_differs(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(common.out, "width", 80)
    said = "on 120 columns or more also: bay, function, model, serial"
    assert f"{said}, baseline\n" in bench.run("list").stdout
    other = BaselineAccepted(nameplate=nameplate("5.0"), why="y", reference=None)
    with Writer.open(bench.journal) as writer:
        writer.write([Batch(events=(Event(at=AT, subject="q01-main1", body=other),))])
    told = bench.run("list").stdout
    assert f"{said}\n" in told
    assert "differs" in told


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["due", "--bay", "zz"], "zz: no such bay; there are B1, K1, Q01,"),
        (["due", "--bay", "q0l"], "q0l: no such bay; there are Q0"),
        (["list", "--bay", "zz"], "zz: no such bay; there are B1,"),
        (["approved", "--bay", "zz"], "zz: no such bay; there are B1,"),
        (
            ["approved", "--rule", "larch-bot"],
            "larch-bot: no such rule; there are larch-boot",
        ),
        (["list", "--flag", "nonsense"], "nonsense: no such flag; there are "),
        (["list", "--flag", "FIRMWARE_CHANGED"], "no such flag; there is firmware_changed"),
        (["list", "--baseline", "difers"], "difers: no such baseline; there is differs"),
        (
            ["baseline", "accept", "--bay", "zz", "--who", "x", "--why", "y"],
            "zz: no such bay; there are B1,",
        ),
    ],
)
def test_a_filter_that_nothing_can_pass_is_no_all_clear(
    bench: Bench, words: list[str], says: str
) -> None:
    result = bench.run(*words)
    assert (result.exit_code, says in result.stderr) == (BAD_INPUT, True), result.output
    assert result.stdout == ""


def test_a_filter_that_something_could_pass_is_one(bench: Bench) -> None:
    for words in (["--bay", "q03"], ["--flag", "storage_low"], ["--baseline", "differs"]):
        assert bench.run("list", *words).exit_code == DONE
    assert bench.run("approved", "--bay", "q03").exit_code == FOUND


def test_while_the_files_have_faults_any_flag_or_rule_may_be_one(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(common, "site_if_sound", lambda _: None)
    for words in (["list", "--flag", "nonsense"], ["approved", "--rule", "nonsense"]):
        assert bench.run(*words).exit_code == DONE


def test_one_of_a_thing_is_told_as_one(bench: Bench) -> None:
    told = bench.run("record", "q03-main1", "swRev=5.1", "--who", "x").stdout
    assert told.startswith("q03-main1: 1 value entered, read at ")
    lines = bench.run("list", "--flag", "firmware_changed").stdout.splitlines()
    assert "1 relay" in lines
    told = bench.run("approved", "--bay", "B1").stdout.splitlines()[-1]
    assert told == "1 firmware version: 1 not read"


@pytest.mark.parametrize("words", [["history", "--last"], ["journal", "export", "--after"]])
def test_a_number_past_all_journals_is_refused(bench: Bench, words: list[str]) -> None:
    result = bench.run(*words, "99999999999999999999")
    assert (result.exit_code, "should be less than or equal" in result.output) == (BAD_INPUT, True)


def test_check_and_load_take_the_site_from_the_environment(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BAYROLL_SITE", str(bench.site_file))
    assert [bench.run(word, site=False).exit_code for word in ("check", "load")] == [DONE, DONE]


def test_who_is_asked_for_with_all_ways_to_say_it(bench: Bench) -> None:
    result = bench.run("pause", "q01-main1", "--why", "bench")
    assert result.stderr == (
        "--who is needed: the journal keeps it\n"
        "    mend: give your name with --who NAME, or set BAYROLL_WHO\n"
    )


def test_it_says_which_version_it_is() -> None:
    result = CliRunner().invoke(app, ["--version"])
    assert (result.exit_code, result.stdout) == (DONE, f"bayroll {version('bayroll')}\n")
