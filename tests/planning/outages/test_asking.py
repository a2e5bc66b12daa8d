"""From what is due and the outages file to windows: each rule of site and file by itself.

Arithmetic by hand: a step of larch takes 10 min to read back, 15 to update and 60 to test.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from poller.model import limits
from poller.model.due import Excepted
from poller.model.refusal import Refusal
from poller.model.standing import Firmware, State
from poller.model.work import FirmwareStatus
from poller.planning.due import due
from poller.planning.known import NONE
from poller.planning.outages.asking import Asked, ask
from poller.planning.outages.check import load_outages
from poller.planning.outages.plan import OutagePlan, plan
from tests.work.substation import SITE, T0, after, state, work

# T0 is 2026-03-02 08:00 UTC
FILE = """\
format: 1
zone: UTC
windows:
  - {id: one, start: 2026-03-10 08:00, end: 2026-03-10 16:00, BAYS, crew: {people: 2}}
  - {id: two, start: 2026-05-10 08:00, end: 2026-05-10 16:00, BAYS, crew: {people: 2}}
"""
EVERY = "bays: [Q01, Q02, B1, K1], groups: [bus]"
K1, M1, M2, FAR, BUS = "k1-feeder", "q01-main1", "q01-main2", "q02-main2", "b1-busbar"


def below(version: str = "5.1 SP2", target: str = "5.2") -> dict[str, Any]:
    one = Firmware(
        status=FirmwareStatus.APPROVED_OLDER, version=version, target=target, rule="larch", since=T0
    )
    return {"firmware": {"swRev": one}}


def asked(more: str = "", bays: str = EVERY, given: State | None = None, **relays: Any) -> Asked:
    """relays: ids with underscores; each is below its target."""
    known = given or state(**(relays or {"k1_feeder": below()}))
    file = load_outages(FILE.replace("BAYS", bays) + more, "outages.yaml", SITE)
    return ask(due(known, SITE, NONE, (), {}, T0), known, SITE, file, T0)


def made(*given: Any, **more: Any) -> OutagePlan:
    return plan(asked(*given, **more), solver=False)


def windows(found: OutagePlan) -> dict[str, list[str]]:
    """Of each relay those of its steps."""
    told: dict[str, list[str]] = {}
    for one in found.placed:
        relay = found.question.steps[one.step].relay
        told.setdefault(relay, []).append(found.question.slots[one.window].id)
    return told


def rules(found: OutagePlan) -> dict[str, str]:
    """Of each relay that is not placed what stands in its way."""
    told = {found.question.jobs[one.job].relay: one.rule for one in found.unplaced}
    return told | {one.relay: one.bar.rule for one in found.left_out}


def bars(found: Asked) -> set[str]:
    return {bar.rule for step in found.question.steps for bar in step.bars.values()}


MINUTES = [
    ("", 10 + 15 + 60),
    ("minutes: {read_back: 0, verify: 30}\n", 15 + 30),
    ("families: {larch: {update: 40, verify: 5}}\n", 10 + 40 + 5),
    ("families: {larch: {settings: 90}}\n", 10 + 15 + 60),  # the settings survive
]


@pytest.mark.parametrize(("more", "minutes"), MINUTES)
def test_a_step_takes_what_its_parts_take(more: str, minutes: int) -> None:
    assert [step.minutes for step in asked(more).question.steps] == [minutes]


def test_every_step_of_a_way_is_asked_for() -> None:
    found = asked(k1_feeder=below("5.1"))
    assert [step.to for step in found.question.steps] == ["5.1 SP2", "5.2"]


WEIGHTS = [("", 5), ("weights: {below_target: 40}\n", 40)]


@pytest.mark.parametrize(("more", "weight"), WEIGHTS)
def test_a_day_of_waiting_counts_by_why_it_is_due(more: str, weight: int) -> None:
    assert [job.weight for job in asked(more).question.jobs] == [weight]


BARRED = [
    ("bay", {"bays": "bays: [Q01]"}),
    ("decision", {"bays": "bays: [B1]", "b1_busbar": below()}),
    ("length", {"more": "minutes: {verify: 500}\n"}),
    ("forbidden", {"more": "forbidden: [{relay: k1-feeder, windows: [one, two]}]\n"}),
    ("forbidden", {"more": "forbidden: [{family: larch, windows: [one, two]}]\n"}),
    ("deadline", {"more": "deadlines: [{relay: k1-feeder, by: 2026-03-09, why: the load}]\n"}),
]


@pytest.mark.parametrize(("rule", "given"), BARRED)
def test_a_rule_that_bars_every_window_is_named(rule: str, given: dict[str, Any]) -> None:
    assert set(rules(made(**given)).values()) == {rule}


def test_a_crew_with_too_few_hours_is_named() -> None:
    hours = "bays: [K1], crew: {people: 2, hours: 1}"
    text = FILE.replace("BAYS, crew: {people: 2}", hours)
    given = state(k1_feeder=below())
    file = load_outages(text, "outages.yaml", SITE)
    found = ask(due(given, SITE, NONE, (), {}, T0), given, SITE, file, T0)
    assert bars(found) == {"crew"}


def test_a_window_that_has_begun_is_none() -> None:
    given = state(k1_feeder=below())
    file = load_outages(FILE.replace("BAYS", EVERY), "outages.yaml", SITE)
    now = after(days=30)
    found = ask(due(given, SITE, NONE, (), {}, now), given, SITE, file, now)
    assert [found.question.slots[at].id for at in found.question.steps[0].bars] == ["one"]


def test_what_is_fixed_goes_there() -> None:
    assert windows(made("fixed: [{relay: k1-feeder, window: two}]\n")) == {K1: ["two"]}


def test_one_step_may_be_fixed_by_itself() -> None:
    more = "fixed: [{relay: k1-feeder, window: two, to: '5.2'}]\n"
    assert windows(made(more, k1_feeder=below("5.1"))) == {K1: ["one", "two"]}


def test_on_its_last_day_a_deadline_is_kept() -> None:
    more = "deadlines: [{family: larch, by: 2026-03-10, why: the load}]\n"
    assert windows(made(more)) == {K1: ["one"]}


def waiting(until: str) -> State:
    one = Excepted(id="x1", relay=K1, until=until, why="no outage", at=T0, by=None)
    return replace(state(k1_feeder=below()), exceptions={"x1": one})


def test_what_an_exception_lets_wait_counts_least() -> None:
    assert [job.weight for job in asked(given=waiting("2026-12-31")).question.jobs] == [1]


def test_it_is_done_before_its_exception_expires() -> None:
    found = asked(given=waiting("2026-04-20"))
    told = {
        found.question.slots[at].id: bar.rule for at, bar in found.question.steps[0].bars.items()
    }
    assert told == {"two": "deadline"}


def test_a_zone_is_taken_out_where_that_was_decided() -> None:
    assert windows(made(b1_busbar=below())) == {BUS: ["one"]}


def test_one_of_a_redundant_pair_may_go_out_with_its_bay_in_service() -> None:
    assert "bay" not in bars(asked(bays="groups: [q02-line]", q02_main2=below()))


PAIR = {"q01_main1": below(), "q02_main1": below(), "q01_main2": below()}
NO_HOLD = "pilot: {hold_days: 0}\n"


def test_the_ends_of_a_line_go_together_and_their_partner_apart() -> None:
    """tie: q01-main1 and q02-main1; q01-line: q01-main1 and q01-main2, 24 h apart."""
    found = windows(made(NO_HOLD, **PAIR))
    assert found[M1] == found["q02-main1"]
    assert found[M1] != found[M2]


def test_a_line_whose_other_end_would_not_fit_is_left_to_a_person() -> None:
    """dale pairs 5.2 with 5.2 only, and the far end runs 5.1."""
    assert rules(made(q02_main2=below())) == {FAR: "versions"}


def test_both_of_a_pair_share_a_window_where_the_file_lets_them() -> None:
    more = NO_HOLD + "both_when_bay_out: true\n"
    assert [sorted(pair.both_in) for pair in asked(more, **PAIR).question.pairs] == [[0, 1]]


def test_else_they_never_do() -> None:
    assert [sorted(pair.both_in) for pair in asked(NO_HOLD, **PAIR).question.pairs] == [[]]


def test_a_pilot_goes_first_and_is_held() -> None:
    found = made(k1_feeder=below(), b1_busbar=below())
    assert sorted(windows(found).values()) == [["one"], ["two"]]
    assert [hold.until - hold.since for hold in found.holds] == [timedelta(days=30)]


def test_the_named_one_is_the_pilot() -> None:
    found = made("families: {larch: {pilot: b1-busbar}}\n", k1_feeder=below(), b1_busbar=below())
    assert windows(found) == {BUS: ["one"], K1: ["two"]}


def current(days: int) -> dict[str, Any]:
    one = replace(below("5.2")["firmware"]["swRev"], status=FirmwareStatus.CURRENT)
    return {"firmware": {"swRev": replace(one, since=after(days=days))}}


IN_SERVICE = [(-40, [["one"], ["one"]]), (-1, [["two"], ["two"]])]


@pytest.mark.parametrize(("days", "expected"), IN_SERVICE)
def test_one_that_runs_the_target_already_is_the_pilot(
    days: int, expected: list[list[str]]
) -> None:
    """On 2026-03-10, 40 days before T0 are 48 days of hold; one day before T0 is nine."""
    relays = {"k1_feeder": below(), "b1_busbar": below(), "q01_main1": current(days)}
    assert sorted(windows(made(**relays)).values()) == expected


def test_planned_work_stands_and_its_relay_is_left_out() -> None:
    given = state(work(), k1_feeder=below())
    assert rules(made(given=given)) == {K1: "planned"}


def test_more_steps_than_one_plan_places_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(limits, "OUTAGE_STEPS_MAX", 1)
    with pytest.raises(Refusal, match="2 steps are due, and one plan places 1 at most"):
        asked(k1_feeder=below("5.1"))


def test_a_way_that_is_not_permitted_is_told() -> None:
    assert rules(made(k1_feeder=below("4.0"))) == {K1: "way"}
