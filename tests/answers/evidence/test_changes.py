"""A change beside its authorisation, its package, its verification and its baseline.

Clocks: CIP-010-4, parts 1.3 and 1.6, in checks/nerc_cip_evidence.csv.
"""

from __future__ import annotations

import pytest

from poller.answers.evidence.report import Change
from poller.model import events as ev
from poller.model.due import Signature
from poller.model.events import ChangeClass
from poller.model.work import Disposition, Line, NoteKind, WorkState
from poller.planning.reasons import BASELINE_DAYS
from tests.answers.evidence.story import (
    DUTIES,
    NEW,
    OLD,
    RELAY,
    accepted,
    at,
    changed,
    event,
    first_read,
    gathered,
    listed,
    loaded,
    moved,
    opened,
    planned,
    read,
    span,
    the_change,
    the_relay,
)

YEAR = span("01-01", "12-31")
START = [loaded("01-01", "medium"), listed("01-01"), first_read("01-01"), accepted("01-02", OLD)]
WORK = [
    planned("02-01", "02-03"),
    moved("02-03", WorkState.PLANNED, WorkState.UNDER_WAY, "09:00"),
    moved("02-03", WorkState.UNDER_WAY, WorkState.WAITING_FOR_RELAY, "11:00"),
    changed("02-03", ChangeClass.PLANNED, work="w1"),
    moved("02-03", WorkState.WAITING_FOR_RELAY, WorkState.CHECKING),
    event(
        "02-03",
        ev.VerificationChecked(
            work="w1",
            lines=(
                Line(name="swRev", expected="V2.11.00", read="V2.11.00", at=at("02-03"), ok=True),
            ),
            holds=True,
            proven=True,
        ),
    ),
    moved("02-03", WorkState.CHECKING, WorkState.VERIFIED, "13:00"),
]


def package(day: str, version: str = "V2.11.00", against: tuple[str, ...] = ()) -> ev.Event:
    body = ev.PackageChecked(
        file="td40.zip",
        size=10,
        sha256="ab" * 32,
        rule="td",
        version=version,
        signature=Signature.GOOD,
        relays=(RELAY,),
        against=against,
        source="by letter",
    )
    return event(day, body, by="A. Quill")


def test_a_planned_change_names_its_work() -> None:
    one = the_change([*START, *WORK], YEAR)
    assert one.authorised == ("work w1, WO-7, entered by A. Quill on 2026-02-01 12:00:00 UTC")


def test_a_planned_change_names_its_verification() -> None:
    assert the_change([*START, *WORK], YEAR).verified == "verified; 1 of 1 line as expected"


def checked(*oks: bool | None) -> ev.Event:
    lines = tuple(
        Line(name=name, expected="passed", read=None, at=None, ok=ok)
        for name, ok in zip(("test", "hwRev", "orderCode"), oks, strict=False)
    )
    body = ev.VerificationChecked(work="w1", lines=lines, holds=False, proven=False)
    return event("02-04", body)


def noted_as_tested(day: str) -> ev.Event:
    body = ev.WorkNoted(work="w1", note=NoteKind.TESTED, text="injected to the trip")
    return event(day, body, by="A. Quill")


def test_a_line_that_nobody_told_is_not_as_expected() -> None:
    told = the_change([*START, *WORK[:-1], checked(None, True, False)], YEAR)
    assert told.verified.endswith("; 1 of 3 lines as expected")


def test_a_functional_test_noted_after_the_last_check_is_told() -> None:
    """Where the wrong version came up nothing is checked any more, and a person goes on noting."""
    told = [*START, *WORK[:-1], checked(None), noted_as_tested("02-05")]
    (work,) = gathered(told, YEAR).works()
    (line,) = work.lines
    assert (line.read, line.at, line.ok) == ("passed", at("02-05"), True)


def test_an_unplanned_change_has_no_authorisation() -> None:
    one = the_change([*START, changed("02-03"), opened("02-03")], YEAR)
    assert (one.authorised, one.disposition) == (
        "no work was planned for it",
        "investigation i1 is OPEN",
    )


def test_what_people_said_it_was() -> None:
    body = ev.DispositionGiven(investigation="i1", disposition=Disposition.MISTAKE, why="wrong bay")
    told = [*START, changed("02-03"), opened("02-03"), event("02-09", body, by="Ute")]
    assert the_change(told, YEAR).disposition == (
        "investigation i1: a mistake, by Ute on 2026-02-09 12:00:00 UTC: wrong bay"
    )


def test_a_disposition_after_the_span_is_not_told() -> None:
    body = ev.DispositionGiven(investigation="i1", disposition=Disposition.MISTAKE, why="wrong bay")
    told = [*START, changed("02-03"), opened("02-03"), event("02-09", body, by="Ute")]
    assert "OPEN" in the_change(told, span("01-01", "02-09")).disposition


def test_a_change_that_a_person_read_is_by_hand() -> None:
    one = the_change([*START, opened("02-03")], YEAR)
    assert (one.by_hand, one.disposition) == (True, "investigation i1 is OPEN")


def test_the_clock_of_baselines_is_that_of_the_standard() -> None:
    assert DUTIES["1.3"]["number"] == f"{BASELINE_DAYS} calendar days"
    assert DUTIES["1.3"]["applies_to"] in ("same", "High and Medium")


# after the change on 02-03: accepted on | end of the span | asset class | days, word
RENEWED = """
03-05 | 12-31 | medium | 30  | kept
03-06 | 12-31 | medium | 31  | NOT KEPT
03-06 | 12-31 | high   | 31  | NOT KEPT
03-06 | 12-31 | low    | 31  | not owed here
-     | 03-05 | medium | 30  | not over
-     | 03-06 | medium | 31  | NOT KEPT
"""


@pytest.mark.parametrize("row", RENEWED.strip().splitlines())
def test_within_thirty_days_of_the_change(row: str) -> None:
    day, end, asset_class, days, word = (part.strip() for part in row.split("|"))
    told = [loaded("01-01", asset_class), *START[1:], *WORK]
    told += [] if day == "-" else [accepted(day, NEW)]
    one = the_change(told, span("01-01", end))
    assert (one.renewed_days, word in one.renewal) == (int(days), True), one.renewal


# checked on, version, against | what is told
PACKAGES = {
    "before": ([package("02-02")], "td40.zip checked on 2026-02-02 12:00:00 UTC: nothing spoke"),
    "after": ([package("02-04")], "no check of its package was recorded before"),
    "other": ([package("02-02", "V2.12.00")], "no check of its package was recorded before"),
    "bad": ([package("02-02", against=("wrong size",))], "td40.zip checked on 2026-02-02 12:00"),
}


@pytest.mark.parametrize("case", PACKAGES)
def test_its_package_was_checked_before_the_work(case: str) -> None:
    """Part 1.6: prior to a change."""
    checks, says = PACKAGES[case]
    told = sorted([*START, *WORK, *checks], key=lambda one: one.at)
    assert the_change(told, YEAR).package.startswith(says)


def test_a_package_that_did_not_pass_is_told() -> None:
    told = [*START, package("01-20", against=("wrong size",)), *WORK]
    assert the_change(told, YEAR).package.endswith("it did NOT pass")


def test_settings_are_not_of_item_1_1_1() -> None:
    kind = ChangeClass.SETTINGS
    one = ev.Change(attribute="paramRev", before="1", after="2", change=kind)
    body = ev.NameplateChanged(
        change=kind,
        changes=(one,),
        nameplate=OLD,
        map="tarn",
        last_old_at=None,
        first_new_at=at("02-03"),
    )
    told = the_change([*START, event("02-03", body)], YEAR)
    assert (told.firmware, told.package, "1.3" in told.renewal) == (False, "", False)


def test_the_baseline_before_the_span_is_told_as_such() -> None:
    told = the_relay(
        [*START, read("01-03"), accepted("03-01", NEW, "after w1")], span("02-01", "04-01")
    )
    assert [(one.why, one.in_force_before) for one in told.baselines] == [
        ("as ordered", True),
        ("after w1", False),
    ]


def test_a_relay_beside_what_was_accepted() -> None:
    told = the_relay([*START, *WORK], YEAR)
    lines = {line.name: (line.accepted, line.present) for line in told.lines}
    assert (told.word, lines["swRev"]) == ("differs", ("V2.10.00", "V2.11.00"))


@pytest.mark.parametrize("by_ms", [-7_200_000, 3_600_000])
def test_a_clock_that_was_set_moves_no_time_of_what_was_recorded(by_ms: int) -> None:
    told = [event("01-01", ev.ServiceStarted(version="1"), clock="00:00"), *START, *WORK]
    late = event("03-01", ev.ClockStepped(by_ms=by_ms))
    plain, stepped = gathered(told, YEAR), gathered([*told, late], YEAR)
    assert stepped.relays() == plain.relays()
    assert stepped.works() == plain.works()


def test_work_is_told_step_by_step_with_who() -> None:
    (one,) = gathered([*START, *WORK], YEAR).works()
    assert [(step.by, step.says) for step in one.steps] == [
        ("A. Quill", "planned"),
        ("", "planned → under way: so it went"),
        ("", "under way → waiting for the relay: so it went"),
        ("", "waiting for the relay → checking: so it went"),
        ("", "checking → verified: so it went"),
    ]


def test_steps_before_the_span_are_told_of_work_that_goes_on_in_it() -> None:
    (one,) = gathered([*START, *WORK], span("02-02", "04-01")).works()
    assert (one.entered_by, one.steps[0].says) == ("A. Quill", "planned")


def test_work_of_which_nothing_happened_in_the_span_is_not_told() -> None:
    assert gathered([*START, *WORK], span("03-01", "04-01")).works() == ()


def changes_of(told: list[ev.Event]) -> tuple[Change, ...]:
    return the_relay(told, YEAR).changes


def test_each_change_is_told_once_in_order() -> None:
    told = [*START, changed("02-03"), opened("02-03"), changed("05-01")]
    assert [one.read_at for one in changes_of(told)] == [at("02-03"), at("05-01")]
