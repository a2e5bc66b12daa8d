"""The self-test's lines: what is well, what is to be looked at, what can't be known."""

from __future__ import annotations

import unicodedata
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any, Final

import pytest

from poller.answers.selftest import (
    ONLY_OWNER,
    OTHERS_READ,
    OTHERS_WRITE,
    CertificateSeen,
    FileSeen,
    Found,
    Line,
    look,
    of_certificate,
    of_clock,
    of_disk,
    of_file,
    of_journal,
    of_outputs,
    of_pair,
    of_relays,
    of_service,
    of_site,
    ok,
    together,
)
from poller.model import limits
from poller.model.problems import Problem
from poller.model.standing import Relay, State
from poller.model.status import Quality, Status, StatusReading

NOW: Final = datetime(2026, 3, 1, 12, tzinfo=UTC)
HOSTILE: Final = "x\x1b[2J\u202e"
OK, LOOK, UNKNOWN = Found.OK, Found.LOOK, Found.UNKNOWN


def status(**changed: Any) -> dict[str, Any]:
    journal = {"seq": 12, "waiting": 0, "failing": None, "judging": "running"}
    return {"version": "0.1.0", "journal": journal, "outputs": []} | changed


def output(**changed: Any) -> dict[str, Any]:
    line = {"output": "mqtt", "cursor": 12, "lag": 0, "connected": True, "says": "connected"}
    return status(outputs=[line | changed])


# The service.


def test_without_a_service_it_says_how_to_start_one() -> None:
    (line,) = of_service(None, "0.1.0")
    assert (line.found, line.mend) == (LOOK, "start it: bayroll run SITE")


@pytest.mark.parametrize(
    ("told", "found"),
    [
        (status(), [OK, OK]),
        (status(version="0.0.9"), [LOOK, OK]),
        (status(journal=status()["journal"] | {"failing": "disk full"}), [OK, LOOK]),
    ],
)
def test_the_service_is_of_this_version_and_writes(
    told: dict[str, Any], found: list[Found]
) -> None:
    assert [line.found for line in of_service(told, "0.1.0")] == found


def test_a_journal_that_can_not_be_read_is_told_with_its_own_cure() -> None:
    problem = Problem(code="journal-newer", file="j", what="version 2", mend="use a newer Bayroll")
    line = of_journal(problem, 1)
    assert (line.found, line.says, line.mend) == (LOOK, "version 2", "use a newer Bayroll")
    assert of_journal(None, 1).found is OK


def test_faults_of_a_site_file_are_counted() -> None:
    problem = Problem(code="site-host", file="s", what="w", mend="m")
    line = of_site([problem, problem], None, State())
    assert (line.found, "2 faults" in line.says) == (LOOK, True)


# The machine.


@pytest.mark.parametrize(("kept", "found"), [(True, OK), (False, LOOK), (None, UNKNOWN)])
def test_the_clock(kept: bool | None, found: Found) -> None:
    assert of_clock(kept).found is found


@pytest.mark.parametrize(
    ("free", "found"),
    [
        (limits.DISK_FREE_MIN, OK),
        (limits.DISK_FREE_MIN - 1, LOOK),
        (None, UNKNOWN),
    ],
)
def test_the_disk(free: int | None, found: Found) -> None:
    assert of_disk(free).found is found


# Permission bits as chmod(1) writes them.
FILES = """
0600  own    ok
0640  own    look  chmod 0600
0644  key    look  chmod 0640
0640  key    ok
0660  key    look  chmod 0640
0600  key    ok
0644  write  ok
0664  write  ok
0666  write  look  chmod 0664
0757  write  look  chmod 0755
"""
BITS = {"own": ONLY_OWNER, "key": OTHERS_READ, "write": OTHERS_WRITE}


@pytest.mark.parametrize("row", FILES.strip().splitlines())
def test_permissions(row: str) -> None:
    mode, bits, found, *mend = row.split()
    line = of_file(FileSeen(path="/x", mode=int(mode, 8)), BITS[bits])
    assert line.found is {"ok": OK, "look": LOOK}[found]
    assert line.mend == (" ".join([*mend, "/x"]) if mend else None)


def test_a_file_that_is_not_there_is_to_be_looked_at() -> None:
    line = of_file(FileSeen(path="/x"), OTHERS_READ)
    assert (line.found, line.says) == (LOOK, "it is not there")


def test_only_what_is_no_pair_is_told() -> None:
    assert list(of_pair("c.pem", "c.key", None)) == []
    (line,) = of_pair("c.pem", "c.key", "MISMATCH")
    assert (line.found, line.about) == (LOOK, "c.pem")
    assert "c.key: MISMATCH; the next start would fail" in line.says


def test_a_file_that_can_not_be_looked_at_is_not_known() -> None:
    assert of_file(FileSeen(path="/x", why="Permission denied"), OTHERS_READ).found is UNKNOWN


def test_a_file_that_the_service_may_not_read_is_not_well_though_it_is_kept_from_others() -> None:
    line = of_file(FileSeen(path="/x", mode=0o600, denied="read it"), ONLY_OWNER)
    assert (line.found, line.says) == (LOOK, "mode 0600: who runs this test may not read it")
    assert "chown USER /x" in str(line.mend)


# days to its end, days since it began
CERTIFICATES = [
    (31, 1, OK),
    (29, 1, LOOK),
    (0, 1, LOOK),
    (-1, 9, LOOK),
    (90, -1, LOOK),
]


@pytest.mark.parametrize(("left", "gone", "found"), CERTIFICATES)
def test_certificates(left: int, gone: int, found: Found) -> None:
    begins, ends = NOW - timedelta(days=gone), NOW + timedelta(days=left)
    seen = CertificateSeen(path="/x.pem", begins=begins, ends=ends)
    assert of_certificate(seen, NOW).found is found


def test_a_certificate_that_can_not_be_read() -> None:
    line = of_certificate(CertificateSeen(path="/x.pem", why="no PEM"), NOW)
    assert (line.found, line.says) == (LOOK, "it can't be read: no PEM")


# What is outside.


@pytest.mark.parametrize(
    ("told", "found"),
    [
        (output(), OK),
        (output(connected=False, says="refused"), LOOK),
        (output(connected=None), UNKNOWN),
        (output(lag=limits.OUTPUT_BATCH_MAX), OK),
        (output(lag=limits.OUTPUT_BATCH_MAX + 1), LOOK),
    ],
)
def test_outputs(told: dict[str, Any], found: Found) -> None:
    (line,) = of_outputs(told, ())
    assert (line.found, line.about) == (found, "mqtt")


def test_without_a_service_outputs_are_not_known() -> None:
    assert [line.found for line in of_outputs(None, ["mqtt", "syslog"])] == [UNKNOWN, UNKNOWN]


def relay(**changed: Any) -> Relay:
    return replace(Relay(bay="Q01", function="main 1", address="10.0.0.1:502/255"), **changed)


def reading(quality: Quality) -> dict[str, StatusReading]:
    at = NOW - timedelta(seconds=70)
    return {"q01-main1": StatusReading(status=Status(), quality=quality, at=at, bad=())}


@pytest.mark.parametrize(
    ("one", "live", "found", "says"),
    [
        (relay(answering=True), reading(Quality.GOOD), OK, "it answers; read 1 min 10 s ago"),
        (relay(answering=True), reading(Quality.STALE), LOOK, "its last visit brought nothing"),
        (relay(answering=True), {}, OK, "it answers"),
        (relay(answering=False), {}, LOOK, "it does not answer"),
        (relay(), {}, UNKNOWN, "it was not asked yet"),
        (relay(answering=True, paused=True), {}, UNKNOWN, "it is not polled"),
        (relay(answering=True), None, UNKNOWN, "no service asks it"),
    ],
)
def test_relays_as_the_service_knows_them(
    one: Relay, live: dict[str, StatusReading] | None, found: Found, says: str
) -> None:
    (line,) = of_relays(State(relays={"q01-main1": one}), live, NOW)
    assert (line.found, line.about) == (found, "Q01 main 1 (q01-main1)")
    assert line.says.startswith(says)


def test_relays_that_are_not_listed_any_more_are_left_out() -> None:
    assert list(of_relays(State(relays={"x": relay(listed=False)}), {}, NOW)) == []


def test_what_comes_from_outside_is_escaped() -> None:
    lines = [
        *of_service(status(version=HOSTILE), "0.1.0"),
        *of_outputs(output(connected=False, says=HOSTILE, output=HOSTILE), ()),
        *of_relays(State(relays={"q": relay(bay=HOSTILE)}), {}, NOW),
        of_file(FileSeen(path=HOSTILE, mode=0o666), OTHERS_WRITE),
        of_certificate(CertificateSeen(path=HOSTILE, why=HOSTILE), NOW),
    ]
    text = " ".join(part for one in lines for part in (one.about, one.says, one.mend or ""))
    assert not [c for c in text if unicodedata.category(c) in ("Cc", "Cf")]


def test_for_people_relays_that_answer_are_one_line() -> None:
    wrong = Line(check="relay", about="b", found=LOOK, says="s", mend="m")
    lines = together([ok("relay", "it answers", "a"), wrong, ok("relay", "it answers", "c")])
    assert lines == (wrong, ok("relay", "2 answer"))


def test_files_that_are_well_are_not_told_as_all_of_them_beside_one_that_is_not() -> None:
    fine = [ok("file", "mode 0640", name) for name in ("a", "b")]
    wrong = look("file", "mode 0666: others may change it", "chmod 0640 c", "c")
    assert together(fine)[0].says == "2 files, kept from others as they should be"
    assert together([*fine, wrong])[-1].says == "2 other files, kept from others as they should be"
