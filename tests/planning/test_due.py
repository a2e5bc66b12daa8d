"""What is due, in which order, and by when. Clocks: checks/nerc_cip_clocks.csv."""

from __future__ import annotations

import csv
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from poller.model.due import Bulletin, Evaluation, Excepted, Severity
from poller.model.events import ChangeClass
from poller.model.standing import Firmware, Investigation, State
from poller.model.status import StatusReading
from poller.model.work import Disposition, FirmwareStatus, WorkState
from poller.planning import reasons
from poller.planning.advisories import Held, held
from poller.planning.boxes import boxes
from poller.planning.bulletins import concerned
from poller.planning.due import Due, due
from poller.planning.reasons import Cause
from poller.site.settings import Site
from tests.planning.documents import FAMILIES, advisory, document, larch, ranged, vulnerability
from tests.work.substation import APPROVED, PLATE, SITE, T0, after, reading, state, work
from tests.work.substation import site as substation

CLOCKS = Path(__file__).parents[1] / "checks" / "nerc_cip_clocks.csv"
NONE = Held(findings=(), elsewhere=(), unusable=())
R = "k1-feeder"


def firmware(status: FirmwareStatus, version: str = "5.1", attribute: str = "swRev") -> Any:
    rule = "larch" if attribute == "swRev" else "larch-boot"
    target = "5.2" if attribute == "swRev" else "2.5"
    one = Firmware(status=status, version=version, target=target, rule=rule, since=T0)
    return {"firmware": {attribute: one}}


BELOW = firmware(FirmwareStatus.APPROVED_OLDER)
WITHDRAWN = firmware(FirmwareStatus.WITHDRAWN)


def found(
    given: State,
    *,
    site: Site = SITE,
    told: Held = NONE,
    readings: dict[str, StatusReading] | None = None,
    now: datetime = T0,
) -> tuple[Due, ...]:
    about = concerned(given.bulletins.values(), FAMILIES, boxes(given))
    return due(given, site, told, about, readings or {}, now)


def causes(given: State, **more: Any) -> list[Cause]:
    return [one.cause for each in found(given, **more) for one in each.reasons]


def bulletin(severity: Severity, relay: str = R) -> dict[str, Bulletin]:
    one = Bulletin(id="b1", title="x", severity=severity, at=T0, by=None, relays=(relay,))
    return {"b1": one}


def investigation(**more: Any) -> dict[str, Investigation]:
    given: dict[str, Any] = {"opened_at": T0, "change": ChangeClass.UNPLANNED, "changes": ()}
    return {"i1": Investigation(id="i1", relay=R, **(given | more))}


def test_nothing_is_due_of_a_relay_that_is_as_it_is_to_be() -> None:
    assert found(state(k1_feeder=firmware(FirmwareStatus.CURRENT, "5.2"))) == ()


STANDS: list[tuple[State, list[Cause]]] = [
    (state(k1_feeder=BELOW), [Cause.BELOW_TARGET]),
    (state(k1_feeder=firmware(FirmwareStatus.NOT_APPROVED)), [Cause.NOT_APPROVED]),
    (state(k1_feeder=WITHDRAWN), [Cause.WITHDRAWN]),
    (state(k1_feeder=firmware(FirmwareStatus.APPROVED_OLDER, "2.4", "components.boot.swRev")),
     [Cause.BELOW_TARGET]),
    (replace(state(), investigations=investigation()), [Cause.INVESTIGATION]),
    (replace(state(), bulletins=bulletin(Severity.FAILURE_TO_TRIP)), [Cause.FAILURE_TO_TRIP]),
    (replace(state(), bulletins=bulletin(Severity.SLOW_TRIP)), [Cause.MISOPERATION]),
    (replace(state(), bulletins=bulletin(Severity.UNNECESSARY_TRIP)), [Cause.MISOPERATION]),
    (replace(state(), bulletins=bulletin(Severity.NOT_PROTECTION)), [Cause.BULLETIN]),
]  # fmt: skip


@pytest.mark.parametrize(("given", "expected"), STANDS)
def test_each_cause_makes_something_due(given: State, expected: list[Cause]) -> None:
    assert causes(given) == expected


def test_why_a_version_was_withdrawn_is_told() -> None:
    gone = "    withdrawn: [{version: '5.0', why: It may stay blocked., on: 2026-01-19}]\n"
    head = "    version_scheme: {kind: dotted_service_pack}\n"
    listed = substation(approved=APPROVED.replace(head, gone + head))
    (one,) = found(state(k1_feeder=firmware(FirmwareStatus.WITHDRAWN, "5.0")), site=listed)
    assert one.reasons[0].says == ("firmware 5.0 was withdrawn on 2026-01-19: It may stay blocked.")


def test_a_closed_investigation_is_not_due() -> None:
    given = replace(state(), investigations=investigation(disposition=Disposition.REPAIR))
    assert causes(given) == []


def _held(name: str) -> Held:
    tree = {"branches": [larch(ranged(name))]}
    one = advisory(document(tree, vulnerability(known_affected=["P"])))
    return held([one], FAMILIES, boxes(state()))


def test_an_advisory_makes_the_relays_due_that_it_says_are_affected() -> None:
    assert set(causes(state(), told=_held("vers:generic/<5.2"))) == {Cause.AFFECTED}


def test_one_that_a_person_must_decide_about_is_due_as_that() -> None:
    assert set(causes(state(), told=_held("before 5.2"))) == {Cause.NEEDS_A_PERSON}


def test_a_bulletin_of_failure_to_trip_stands_before_what_an_advisory_scores() -> None:
    given = replace(state(), bulletins=bulletin(Severity.SLOW_TRIP, "q02-main2"))
    first = found(given, told=_held("vers:all/*"))[0]
    assert (first.relay, first.reasons[0].cause) == ("q02-main2", Cause.MISOPERATION)


def test_the_most_pressing_comes_first() -> None:
    given = state(k1_feeder=BELOW, q01_main1=WITHDRAWN, b1_busbar=BELOW)
    given = replace(given, bulletins=bulletin(Severity.FAILURE_TO_TRIP, "b1-busbar"))
    assert [one.relay for one in found(given)] == ["b1-busbar", "q01-main1", "k1-feeder"]


# Ways and what stands in them.


def test_the_way_goes_through_the_version_between() -> None:
    (one,) = found(state(k1_feeder=BELOW))
    (course,) = one.courses
    assert [step.to for step in course.way or ()] == ["5.1 SP2", "5.2"]


def test_where_none_is_permitted_that_is_told() -> None:
    (one,) = found(state(k1_feeder=firmware(FirmwareStatus.NOT_APPROVED, "4.9")))
    assert [course.way for course in one.courses] == [None]


def test_what_stands_in_the_way_of_the_first_step_is_told_before_it_is_planned() -> None:
    low = {R: reading(free_memory_kb=10)}
    (one,) = found(state(k1_feeder=BELOW), readings=low)
    assert [each.rule for each in one.obstacles] == ["free-memory"]


def test_open_work_is_named_and_what_stands_in_its_way() -> None:
    given = state(work(notes=()), k1_feeder=BELOW)
    (one,) = found(given, readings={R: reading()})
    assert (one.works, [each.rule for each in one.obstacles]) == (("w1",), ["read-back"])


# Clocks.


@pytest.mark.parametrize(
    ("part", "days"), [("1.3", reasons.BASELINE_DAYS), ("2.2", reasons.EVALUATION_DAYS)]
)
def test_the_clocks_are_those_of_the_standards(part: str, days: int) -> None:
    with CLOCKS.open(encoding="utf-8", newline="") as opened:
        (row,) = (one for one in csv.DictReader(opened) if one["part"] == part)
    assert re.findall(r"[0-9]+", row["number"]) == [str(days)]
    assert set(row["applies_to"].lower().split(" and ")) == reasons.RATED


# The baseline, thirty days after work.


def finished(days: int, **more: Any) -> State:
    """Work came out so many days before T0, and what runs is another version than accepted."""
    usual: dict[str, Any] = {"state": WorkState.CLOSED, "tries": 1}
    done = work(came_out_at=after(days=-days), **(usual | more))
    return state(done, k1_feeder={"nameplate": replace(PLATE, swRev="5.1 SP2")})


def test_the_baseline_is_to_be_accepted_anew_within_thirty_days() -> None:
    """Accepted a month before T0; work came out after that."""
    (one,) = found(finished(20))
    assert [(x.cause, x.by) for x in one.reasons] == [(Cause.BASELINE, after(days=10).date())]


@pytest.mark.parametrize(
    ("days", "cause"), [(29, Cause.BASELINE), (30, Cause.BASELINE), (31, Cause.BASELINE_OVERDUE)]
)
def test_it_is_overdue_once_thirty_calendar_days_have_passed(days: int, cause: Cause) -> None:
    assert causes(finished(0), now=T0 + timedelta(days=days)) == [cause]


def test_a_baseline_that_was_accepted_after_the_work_is_not_due() -> None:
    assert causes(finished(31)) == []


def test_work_that_changed_nothing_asks_for_no_baseline() -> None:
    done = work(state=WorkState.CLOSED, tries=1, came_out_at=after(days=-1))
    assert causes(state(done)) == []


def test_work_that_was_never_begun_asks_for_none() -> None:
    assert causes(finished(1, tries=0)) == []


# Evaluations, where the asset class asks for them.


def rated(asset_class: str) -> Site:
    return replace(SITE, file=SITE.file.model_copy(update={"asset_class": asset_class}))


@pytest.mark.parametrize(
    ("asset_class", "asks"), [("high", True), ("medium", True), ("low", False), ("none", False)]
)
def test_what_makers_released_is_evaluated_where_the_asset_class_asks_for_it(
    asset_class: str, asks: bool
) -> None:
    expected = [Cause.EVALUATION_OVERDUE] if asks else []
    assert causes(state(), site=rated(asset_class)) == expected


@pytest.mark.parametrize(
    ("days", "expected"),
    [(0, []), (27, []), (28, [Cause.EVALUATION]), (35, [Cause.EVALUATION]),
     (36, [Cause.EVALUATION_OVERDUE])],
)  # fmt: skip
def test_an_evaluation_is_owed_every_thirty_five_days(days: int, expected: list[Cause]) -> None:
    last = Evaluation(at=after(days=-days), by=None, found="nothing released this month")
    given = replace(state(), evaluations={"Tarnwick Electric": last})
    assert causes(given, site=rated("medium")) == expected


def test_what_runs_there_unknown_stands_before_what_is_late_on_paper() -> None:
    given = replace(state(), investigations=investigation())
    first, second = found(given, site=rated("medium"))
    assert (first.relay, second.maker) == (R, "Tarnwick Electric")


# Exceptions.


def excepted(until: datetime, **more: Any) -> dict[str, Excepted]:
    day = until.date().isoformat()
    return {"e1": Excepted(id="e1", relay=R, until=day, why="no outage", at=T0, by=None, **more)}


def test_what_an_exception_lets_wait_comes_last() -> None:
    given = replace(
        state(k1_feeder=WITHDRAWN, q01_main1=BELOW), exceptions=excepted(after(days=90))
    )
    assert [(one.relay, one.waits is not None) for one in found(given)] == [
        ("q01-main1", False),
        (R, True),
    ]


@pytest.mark.parametrize(
    ("days", "word"), [(31, None), (30, "expires on"), (0, "expires on"), (-1, "expired on")]
)
def test_an_exception_is_told_of_before_it_expires_and_after(days: int, word: str | None) -> None:
    given = replace(state(k1_feeder=BELOW), exceptions=excepted(after(days=days)))
    (one,) = found(given)
    told = [x.says for x in one.reasons if x.cause is Cause.EXCEPTION_ENDING]
    day = after(days=days).date()
    assert told == ([] if word is None else [f"exception e1 {word} {day}"])


def test_one_that_was_ended_lets_nothing_wait() -> None:
    given = replace(
        state(k1_feeder=BELOW), exceptions=excepted(after(days=90), ended_at=after(days=-1))
    )
    (one,) = found(given)
    assert one.waits is None


def test_an_exception_lets_no_investigation_wait() -> None:
    given = replace(
        state(k1_feeder=BELOW, q01_main1=BELOW),
        exceptions=excepted(after(days=90)),
        investigations=investigation(),
    )
    assert [one.relay for one in found(given)] == [R, "q01-main1"]


@pytest.mark.parametrize(
    ("severity", "days", "waits"),
    [
        (Severity.FAILURE_TO_TRIP, 1, False),
        (Severity.SLOW_TRIP, 1, False),
        (Severity.NOT_PROTECTION, 1, True),
        (Severity.FAILURE_TO_TRIP, -1, True),  # who gave it could weigh that
    ],
)
def test_an_exception_lets_no_later_bulletin_of_protection_wait(
    severity: Severity, days: int, waits: bool
) -> None:
    told = {"b1": replace(bulletin(severity)["b1"], at=after(days=days))}
    given = replace(state(k1_feeder=BELOW), exceptions=excepted(after(days=90)), bulletins=told)
    (one,) = found(given)
    later = [x.says for x in one.reasons if "it came after exception e1 was given" in x.says]
    assert (one.waits is not None, len(later)) == (waits, 0 if waits else 1)


def test_one_without_anything_due_is_not_listed() -> None:
    assert found(replace(state(), exceptions=excepted(datetime(2026, 1, 1, tzinfo=UTC)))) == ()
