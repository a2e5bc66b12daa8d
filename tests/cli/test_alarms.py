"""bayroll alarms on a journal, with no service running: what it prints, asks for and does."""

from __future__ import annotations

import json
import unicodedata
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from poller.alarms import requests
from poller.alarms.measures import SCOPE
from poller.cli import alarms, common
from poller.cli.alarms_measures import TOO_SHORT
from poller.cli.common import Where
from poller.edges import commands
from poller.model.canonical import adapter, unstamp
from tests.cli.alarm_bench import LATCHED, T0, AlarmBench
from tests.cli.bench import Bench

DONE, FOUND, BAD_INPUT = 0, 1, 2
WHO = ["--who", "Ada Quill", "--why", "crew called"]
THAT_DAY = ["--from", "2020-03-01", "--to", "2020-03-02", "--zone", "UTC"]
STANDING = [
    "network.many_silent",
    "q01-main1.unplanned_change",
    LATCHED,
    "q02-main1.silent",
    "q03-control.flag.support_ending",
]
KEPT_BACK = ["q04-main1.silent", "q03-main1.silent", "q06-main1.flag_left"]


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> AlarmBench:
    return AlarmBench(tmp_path_factory.mktemp("shared"))


@pytest.fixture
def bench(shared: AlarmBench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> AlarmBench:
    """Only to be read; all tests have the same."""
    monkeypatch.setenv("BAYROLL_RUNTIME_DIR", str(tmp_path / "run"))
    return shared


@pytest.fixture
def own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> AlarmBench:
    monkeypatch.setenv("BAYROLL_RUNTIME_DIR", str(tmp_path / "run"))
    return AlarmBench(tmp_path)


def listed(bench: Bench, *words: str) -> list[dict[str, Any]]:
    result = bench.run("alarms", *words, "--json")
    assert result.exit_code in (DONE, FOUND), result.output
    return [json.loads(line) for line in result.stdout.splitlines()]


def ids(bench: Bench, *words: str) -> list[str]:
    return [row["id"] for row in listed(bench, *words)]


def test_by_itself_it_lists_what_stands(bench: Bench) -> None:
    assert ids(bench) == STANDING


def test_all_is_also_what_is_kept_back_waits_or_was_there_once(bench: Bench) -> None:
    told = ids(bench, "--all")
    assert told[: len(STANDING)] == STANDING
    assert set(told[len(STANDING) : -2]) == set(KEPT_BACK)
    assert told[-2:] == ["q06-main1.silent", "t1-main1.silent"]


@pytest.mark.parametrize(
    ("words", "found"),
    [
        (["q01-main1"], ["q01-main1.unplanned_change"]),
        (["list", "q01-main1"], ["q01-main1.unplanned_change"]),
        (["q04-main1"], []),
        (["q04-main1", "--all"], ["q04-main1.silent"]),
        (["q01-main1", "q02-main1"], ["q01-main1.unplanned_change", "q02-main1.silent"]),
    ],
)
def test_list_chooses(bench: Bench, words: list[str], found: list[str]) -> None:
    assert ids(bench, *words) == found


@pytest.mark.parametrize(
    ("words", "code"), [([], FOUND), (["q03-control"], DONE), (["q04-main1", "--all"], DONE)]
)
def test_it_ends_with_one_where_an_alarm_for_the_operator_stands(
    bench: Bench, words: list[str], code: int
) -> None:
    assert bench.run("alarms", *words).exit_code == code


@pytest.mark.parametrize("width", [40, 60, 80, 130])
def test_a_terminal_shows_every_row_within_its_width(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, width: int
) -> None:
    monkeypatch.setattr(common.out, "width", width)
    told = bench.run("alarms", "--all", "--response").stdout
    assert max(map(len, told.splitlines())) <= width
    for name in (*STANDING, *KEPT_BACK):
        assert name in told


def test_a_narrow_terminal_has_letters_and_says_what_they_are(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(common.out, "width", 80)
    assert bench.run("alarms").stdout.splitlines()[-2:] == [
        "B unacknowledged; C acknowledged",
        "4 alarms, 3 unacknowledged; 1 notice; 3 kept back; 1 waiting for a delay",
    ]


def test_the_response_is_told_where_it_is_asked_for(bench: Bench) -> None:
    says = (
        "do: Look whether SCADA still hears it; tell the engineer of communications. (within 8 h)"
    )
    assert says in bench.run("alarms", "--response").stdout
    assert says not in bench.run("alarms").stdout


def test_a_choice_of_relays_still_says_that_others_have_something_in_common(
    bench: Bench,
) -> None:
    told = bench.run("alarms", "q04-main1").stdout
    assert told == "no alarm; 1 kept back; 1 more of several relays or of the poller\n"


def test_show_tells_what_the_catalogue_says(bench: Bench) -> None:
    told = bench.run("alarms", "show", "q01-main1.unplanned_change").stdout
    assert "alarm, medium priority: B Unacknowledged\n" in told
    assert "next: bayroll alarms ack q01-main1.unplanned_change\n" in told
    for said in ("may act otherwise than engineered", "Call the engineer", "1 h", "No delay"):
        assert said in told


def test_show_tells_who_acknowledged_it_and_when_it_was_told(bench: Bench) -> None:
    told = bench.run("alarms", "show", "q02-main1.silent").stdout
    assert "2020-03-01 00:02:00 UTC  acknowledged by Ada Quill (uid 7): V1\\x1b" in told
    assert told.endswith("the operator was told last:\n  2020-03-01 00:01:00 UTC\n")


def test_show_tells_what_keeps_it_back_and_until_when(bench: Bench) -> None:
    told = bench.run("alarms", "show", "q04-main1.silent").stdout
    assert "E Shelved, beneath that unacknowledged\n" in told
    assert "shelved until 2096-03-01 00:00:00 UTC by Ada Quill (uid 7): crew at the bay\n" in told


def test_show_as_json_has_the_whole_picture(bench: Bench) -> None:
    (told,) = bench.json("alarms", "show", "q04-main1.silent")
    assert (told["state"], told["stands"]) == ("E", "B")
    assert told["inhibits"][0]["until"] == "2096-03-01T00:00:00.000Z"
    assert told["rationalisation"]["time_to_respond_min"] == 480


@pytest.mark.parametrize(
    "words",
    [
        ["alarms", "--all"],
        ["alarms", "show", "q01-main1.unplanned_change"],
        ["alarms", "show", "q02-main1.silent"],
        ["alarms", "show", "q03-main1.silent"],
        ["show", "q01-main1"],
    ],
    ids=" ".join,
)
def test_text_of_relays_and_people_reaches_no_terminal_as_it_is(
    bench: Bench, words: list[str]
) -> None:
    shown = bench.run(*words).stdout
    assert "\\x1b" in shown
    assert not {c for c in shown if unicodedata.category(c) in ("Cc", "Cf")} - {"\n"}


def test_what_is_recorded_is_told_also_where_the_site_file_has_faults(
    own: AlarmBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = Where(site_file=own.site_file, journal=own.journal)
    monkeypatch.setattr(common, "where", lambda site: place)
    own.site_file.write_text("format: 7\n")
    assert [row["response"] for row in listed(own, "q02-main1")] == [None]
    assert "or can't be read" in own.run("alarms", "show", "q02-main1.silent").stdout


# What people ask.


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> list[tuple[Any, str]]:
    """What would go over the control socket: the typed request, and who asks."""
    found: list[tuple[Any, str]] = []

    def ask(place: Where, op: str, args: dict[str, Any]) -> dict[str, Any]:
        told = json.loads(json.dumps(args))  # as over the socket
        who = told.pop("who")
        found.append((adapter(commands.COMMANDS[op]).validate_python(told), who))
        return {"events": 1, "kinds": [], "works": []}

    monkeypatch.setattr(alarms, "ask", ask)
    return found


@pytest.mark.parametrize(
    ("words", "request_"),
    [
        (["ack"], requests.AckAlarm(alarm="a.b", why="y")),
        (["shelve", "--for", "4h"], requests.ShelveAlarm(alarm="a.b", for_s=14_400, why="y")),
        (["unshelve"], requests.UnshelveAlarm(alarm="a.b", why="y")),
        (["out-of-service"], requests.TakeOutOfService(alarm="a.b", why="y")),
        (["return"], requests.ReturnToService(alarm="a.b", why="y")),
        (["reset"], requests.ResetLatch(alarm="a.b", why="y")),
    ],
    ids=lambda value: value[0] if isinstance(value, list) else "",
)
def test_what_people_ask_goes_out_as_its_request(
    bench: Bench, asked: list[tuple[Any, str]], words: list[str], request_: Any
) -> None:
    result = bench.run("alarms", *words, "a.b", "--who", "Ada Quill", "--why", "y")
    assert result.exit_code == DONE, result.output
    assert asked == [(request_, "Ada Quill")]


# as a person writes it; then seconds
DURATIONS = """
4h            14400
30min         1800
30m           1800
1h30min       5400
1 h 30 min    5400
0h5m          300
"""


@pytest.mark.parametrize("line", DURATIONS.strip().splitlines())
def test_durations_are_read_as_answers_write_them(
    bench: Bench, asked: list[tuple[Any, str]], line: str
) -> None:
    text, seconds = line.rsplit(maxsplit=1)
    bench.run("alarms", "shelve", "a.b", "--for", text.strip(), *WHO)
    ((request, _),) = asked
    assert request.for_s == int(seconds)


@pytest.mark.parametrize("text", ["", "4", "h", "4d", "1min2h", "-1h", "4h4h", "99999h", "٤h"])
def test_other_durations_are_refused_with_how_to_write_them(bench: Bench, text: str) -> None:
    result = bench.run("alarms", "shelve", "q01-main1.unplanned_change", f"--for={text}", *WHO)
    assert (result.exit_code, "4h, 30min or 1h30min" in result.output) == (BAD_INPUT, True)


def letters(bench: Bench) -> dict[str, str]:
    return {row["id"]: row["state"] for row in listed(bench, "--all")}


@pytest.mark.parametrize(
    ("words", "before", "after"),
    [
        (["ack", "network.many_silent"], "B", "C"),
        (["shelve", "q01-main1.unplanned_change", "--for", "2h"], "B", "E"),
        (["unshelve", "q04-main1.silent"], "E", "B"),
        (["out-of-service", "q01-main1.unplanned_change"], "B", "G"),
        (["return", "q03-main1.silent"], "G", "A"),
        (["reset", LATCHED], "B", "D"),
    ],
    ids=lambda value: value[0] if isinstance(value, list) else "",
)
def test_what_people_ask_is_done(
    own: AlarmBench, words: list[str], before: str, after: str
) -> None:
    name = words[1]
    assert letters(own)[name] == before
    assert own.run("alarms", *words, *WHO).exit_code == DONE
    assert letters(own)[name] == after


def test_one_that_never_came_can_be_taken_out_of_service(own: AlarmBench) -> None:
    own.run("alarms", "out-of-service", "k1-feeder1.silent", *WHO)
    assert own.run("alarms", "show", "k1-feeder1.silent").stdout.startswith(
        "k1-feeder1.silent  K1 feeder 1 (k1-feeder1): it never came\n"
    )


def test_each_alarm_is_answered_on_a_line_of_its_own(own: AlarmBench) -> None:
    names = ["q01-main1.unplanned_change", "q02-main1.silent", "network.many_silent"]
    result = own.run("alarms", "ack", *names, *WHO)
    assert result.exit_code == BAD_INPUT
    assert result.stdout.splitlines() == [
        "q01-main1.unplanned_change: acknowledged",
        "network.many_silent: acknowledged",
    ]
    assert result.stderr == "q02-main1.silent: it is acknowledged already\n"


def test_for_programs_each_answer_is_one_json_line(own: AlarmBench) -> None:
    result = own.run("alarms", "ack", "q02-main1.silent", "network.many_silent", *WHO, "--json")
    refused, done = (json.loads(line) for line in result.stdout.splitlines())
    assert refused == {
        "alarm": "q02-main1.silent",
        "refused": "q02-main1.silent: it is acknowledged already",
    }
    assert (done["alarm"], done["kinds"][0]) == ("network.many_silent", "alarm_moved")


def test_where_alarms_are_acknowledged_over_mqtt_it_is_refused_and_said(own: AlarmBench) -> None:
    own.catalogue(("acknowledged_over: bayroll", "acknowledged_over: mqtt"))
    result = own.run("alarms", "ack", "q01-main1.unplanned_change", *WHO)
    assert result.exit_code == BAD_INPUT
    assert "alarms of this site are acknowledged over mqtt only\n    mend: " in result.stderr
    assert letters(own)["q01-main1.unplanned_change"] == "B"


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["q99"], "no such relay, and no command of alarms"),
        (["acknowledge", "q01-main1.silent"], "no such relay, and no command of alarms"),
        (["show", "q99.silent"], "no such alarm so far; see: bayroll alarms --all"),
        (["show", "q02-main1.replaced"], "there are q02-main1.silent"),
        (["ack", "q01-main1", *WHO], "no such alarm"),
        (["ack", "q04-main1.silent", *WHO], "it is shelved: nobody is asked"),
        (["shelve", "q02-main1.silent", "--for", "9h", *WHO], "8 h at most"),
        (["unshelve", "q02-main1.silent", *WHO], "it is not shelved"),
        (["return", "q02-main1.silent", *WHO], "it is not out of service"),
        (["reset", "q02-main1.silent", *WHO], "nothing to reset"),
        (["measures", "--from", "soon"], "no time; write it as"),
        (["measures", "--zone", "Nowhere/At"], "no time zone"),
        (["measures", "--to", "2019-01-01"], "nothing was recorded from"),
        (["measures", "--from", "2020-03-02", "--to", "2020-03-01"], "nothing was recorded from"),
    ],
)
def test_what_can_not_be_done_says_why(bench: Bench, words: list[str], says: str) -> None:
    result = bench.run("alarms", *words)
    assert (result.exit_code, says in result.output) == (BAD_INPUT, True), result.output


@pytest.mark.parametrize("missing", ["--who", "--why"])
def test_what_is_missing_for_all_is_said_once(bench: Bench, missing: str) -> None:
    given = [option for option in ("--who", "--why") if option != missing]
    result = bench.run("alarms", "ack", "q01-main1.silent", "q02-main1.silent", *given, "x")
    assert (result.exit_code, result.output.count(f"{missing} is needed")) == (BAD_INPUT, 1)


# Figures. Worked out by hand in tests/alarms/test_measures.py; here: that they are these.


def test_measures_are_of_the_period_asked_for(bench: Bench) -> None:
    (told,) = bench.json("alarms", "measures", *THAT_DAY)
    per_day = next(one for one in told["figures"] if one["name"] == "per day")
    # told that day: six times, the notice not counted
    assert (told["alarms"], per_day["value"], per_day["target"], per_day["most"]) == (
        6,
        6.0,
        150.0,
        300.0,
    )
    assert [unstamp(told[name]) for name in ("start", "end")] == [T0, T0 + timedelta(days=1)]


def test_measures_begin_with_the_journal(bench: Bench) -> None:
    (told,) = bench.json("alarms", "measures", "--from", "2019-01-01", *THAT_DAY[2:])
    assert unstamp(told["start"]) == T0


def test_measures_are_of_the_last_thirty_days_where_nothing_is_asked(bench: Bench) -> None:
    (told,) = bench.json("alarms", "measures")
    assert (told["alarms"], told["long_enough"]) == (0, True)


def test_each_figure_stands_beside_its_target_and_source(bench: Bench) -> None:
    told = bench.run("alarms", "measures", *THAT_DAY).stdout
    line = next(line for line in told.splitlines() if line.startswith("per day"))
    assert line.split() == ["per", "day", "6", "alarms", "150", "300", "1"]
    assert "source 1: ANSI/ISA-18.2-2016 or IEC 62682" in told


@pytest.mark.parametrize(
    ("words", "short"), [(THAT_DAY, True), (["--to", "2020-03-31 00:00", *THAT_DAY[4:]], False)]
)
def test_measures_say_what_they_are_worth(bench: Bench, words: list[str], short: bool) -> None:
    told = bench.run("alarms", "measures", *words).stdout
    assert SCOPE in told
    assert (TOO_SHORT in told) == short


def test_measures_take_the_targets_of_the_sites_catalogue(own: AlarmBench) -> None:
    own.catalogue(("per_day: 150, per_day_max: 300", "per_day: 144, per_day_max: 288"))
    (told,) = own.json("alarms", "measures", *THAT_DAY)
    per_day = next(one for one in told["figures"] if one["name"] == "per day")
    assert (per_day["target"], per_day["most"]) == (144.0, 288.0)


# Where else alarms are told.


def test_show_has_the_relays_own_alarms(bench: Bench) -> None:
    told = bench.run("show", "q02-main1").stdout
    assert "alarm q02-main1.silent, low priority, for " in told
    assert ": acknowledged: it does not answer\n" in told


def test_list_ends_with_how_many_stand(bench: Bench) -> None:
    told = bench.run("list").stdout.splitlines()[-1]
    assert told.startswith("of this site: 4 alarms, 3 unacknowledged; 1 notice")


def test_status_counts_them(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    said = {"site": "s", "relays": 24, "version": "0", "reload_faults": 0, "outputs": []}
    said["journal"] = {"seq": 1, "waiting": 0, "failing": None, "judging": "running"}
    monkeypatch.setattr("poller.cli.status.control.request", lambda *words: said)
    assert "alarms: 4 alarms, 3 unacknowledged; 1 notice" in bench.run("status").stdout
    assert bench.json("status")[0]["alarms"]["kept_back"] == 3


def test_status_tells_what_the_service_says_also_where_the_journal_can_not_be_read(
    own: AlarmBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    said = {"site": "s", "relays": 24, "version": "0", "reload_faults": 0, "outputs": []}
    said["journal"] = {"seq": 1, "waiting": 0, "failing": None, "judging": "running"}
    monkeypatch.setattr("poller.cli.status.control.request", lambda *words: said)
    own.journal.unlink()
    assert own.json("status")[0]["alarms"] is None
