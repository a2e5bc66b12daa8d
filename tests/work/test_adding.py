"""What can be planned, and what is refused with why."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from poller.model import limits
from poller.model.events import RuleOverridden, WorkAdded
from poller.model.nameplate import flat
from poller.model.work import SettingsFile, WorkKind, WorkState
from poller.work.requests import CancelWork
from tests.work.world import OTHER, T0, R, desk, entered, plate, update


def at(hour: float) -> Any:
    return T0 + timedelta(hours=hour - 8)


def kind(name: str, **expects: str) -> dict[str, Any]:
    return {"kind": WorkKind(name), "expects": expects}


REFUSED: dict[str, tuple[dict[str, Any], str]] = {
    "no relay": ({"relays": ()}, "name at least one relay"),
    "a relay twice": ({"relays": (R, R)}, f"{R}: named twice"),
    "too many relays": (
        {"relays": tuple(f"r{n}" for n in range(limits.WORK_RELAYS_MAX + 1))},
        "at most 100",
    ),
    "not listed": ({"relays": ("q99",)}, "q99: the site lists no such relay"),
    "never read": ({"relays": ("q09-bay",)}, "q09-bay: its nameplate was never read or entered"),
    "ends before it starts": ({"start": at(12), "end": at(9)}, "end that comes after the start"),
    "no length": ({"start": at(9), "end": at(9)}, "end that comes after the start"),
    "over": ({"start": at(6), "end": at(8)}, "the window is over"),
    "a year": ({"end": T0 + timedelta(days=365)}, "a window of its own"),
    "unknown zone": ({"zone": "Europe/Ys"}, "Europe/Ys: no time zone of that name"),
    "too much expected": (
        {"expects": {f"components.c{n}.swRev": "1" for n in range(65)}},
        "65 attributes expected; at most 64",
    ),
    "update of nothing": (kind("update"), "name the firmware that is expected"),
    "update by settings": (kind("update", paramRev="8"), "name the firmware that is expected"),
    "rollback of nothing": (kind("rollback", serNum="9"), "name the firmware that is expected"),
    "what it runs": (kind("update", swRev="V2.10"), f"{R}: swRev is V2.10 already"),
    "what it runs, respelled": (kind("update", swRev="2.010"), f"{R}: swRev is V2.10 already"),
    "replacement without box": (
        kind("replacement", swRev="V2.11"),
        "name the serial number of the box that comes",
    ),
    "replacement by itself": (kind("replacement", serNum="40111"), "serNum is 40111 already"),
    "one box, two places": (
        kind("replacement", serNum="9") | {"relays": (R, OTHER)},
        "a box comes to one position",
    ),
    "settings by firmware": (kind("settings", swRev="V2.11"), "configRev, paramRev or settingsId"),
    "settings as they are": (kind("settings", paramRev="7"), "paramRev is 7 already"),
}


@pytest.mark.parametrize(("changed", "says"), REFUSED.values(), ids=REFUSED.keys())
def test_it_is_refused_with_why(changed: dict[str, Any], says: str) -> None:
    assert says in desk().refused(replace(update(), **changed))


ACCEPTED: dict[str, dict[str, Any]] = {
    "update": kind("update", swRev="V2.11"),
    "update of a part": kind("update", **{"components.boot.swRev": "1.5"}),
    "rollback": kind("rollback", swRev="V2.09"),
    "box with the same firmware": kind("replacement", serNum="9", swRev="V2.10", orderCode="A"),
    "settings": kind("settings", paramRev="8"),
    "settings of which one name stays": kind("settings", paramRev="7", settingsId="12"),
    "settings not told before": kind("settings", settingsId="12"),
    "a window that has begun": {"start": at(7)},
}


@pytest.mark.parametrize("changed", ACCEPTED.values(), ids=ACCEPTED.keys())
def test_it_is_planned(changed: dict[str, Any]) -> None:
    made = desk()
    made.ask(replace(update(), **changed))
    assert made.where() == WorkState.PLANNED


def test_the_plan_keeps_what_was_asked_and_what_was_there() -> None:
    made = desk()
    settings = SettingsFile(name="q07.set", sha256_before="a" * 64, reviewed_by="M. Orr")
    (body,) = made.ask(update(settings=settings))
    assert isinstance(body, WorkAdded)
    plan = body.plan
    assert plan.before == flat(plate(serial="40111"))
    assert (plan.expects, plan.reference, plan.zone) == (
        {"swRev": "V2.11"},
        "W-12",
        "Europe/Berlin",
    )
    assert (plan.start, plan.end, plan.settings) == (at(9), at(12), settings)
    assert made.work().by == "J. Kral (uid 1000)"


def test_what_a_person_entered_is_what_was_there() -> None:
    made = desk()
    made.ask(entered("q09-bay", {"vendor": "Tarn", "swRev": "V2.10"}, T0))
    made.ask(update("q09-bay"))
    assert made.work().plan.before == {"vendor": "Tarn", "swRev": "V2.10"}


def test_each_relay_gets_its_own_work_with_a_number_that_was_never_given() -> None:
    made = desk()
    made.ask(update(relays=(R, OTHER)))
    made.ask(CancelWork(work="w2", why="not now"))
    made.ask(update(OTHER))
    assert [(w.id, w.plan.relay) for w in made.state.works.values()] == [
        ("w1", R),
        ("w2", OTHER),
        ("w3", OTHER),
    ]


OVERLAPS = """
9  12 | 11 13 | refused
9  12 | 10 11 | refused
9  12 | 8  14 | refused
9  12 | 12 13 | planned   # one after the other
9  12 | 8   9 | planned
"""


@pytest.mark.parametrize("row", OVERLAPS.strip().splitlines())
def test_open_work_on_one_relay_never_overlaps(row: str) -> None:
    first, second, outcome = (part.strip() for part in row.split("#", maxsplit=1)[0].split("|"))
    made = desk()
    windows = [[at(float(hour)) for hour in part.split()] for part in (first, second)]
    made.ask(update(start=windows[0][0], end=windows[0][1]))
    # a reason does not help
    again = update(start=windows[1][0], end=windows[1][1], although="it must be")
    if outcome == "refused":
        assert "w1 is open, and its window overlaps" in made.refused(again)
    else:
        made.ask(again)
        assert made.where("w2") == WorkState.PLANNED


def test_work_that_has_ended_leaves_its_window_free() -> None:
    made = desk()
    made.ask(update())
    made.ask(CancelWork(work="w1", why="not now"))
    made.ask(update())
    assert made.where("w2") == WorkState.PLANNED


def test_a_group_s_rule_refuses_unless_a_person_says_why() -> None:
    made = desk()
    both = update(relays=(R, "q07-main2", OTHER))
    refusal = made.refused(both)
    assert "this can't be planned so:" in refusal
    assert "q07-line.together: " in refusal
    assert "mend: " in refusal
    made.ask(replace(both, although="the bay is out anyhow"))
    told = [e for e in made.events if isinstance(e.body, RuleOverridden)]
    # of those whose relay is in the group, and not of the third
    assert [
        (e.subject, e.body.work, e.body.why) for e in told if isinstance(e.body, RuleOverridden)
    ] == [
        (R, "w1", "the bay is out anyhow"),
        ("q07-main2", "w2", "the bay is out anyhow"),
    ]
    assert [e.by for e in told] == ["J. Kral (uid 1000)"] * 2
    assert made.work().overridden == ("q07-line.together",)


@pytest.mark.parametrize("although", ["", "  "])
def test_an_empty_reason_is_none(although: str) -> None:
    assert "q07-line.together" in desk().refused(update(relays=(R, "q07-main2"), although=although))


def test_a_reason_where_no_rule_stands_overrides_nothing() -> None:
    made = desk()
    assert [body.kind for body in made.ask(update(although="in case"))] == ["work_added"]


def test_no_more_work_is_open_than_can_be_looked_at(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(limits, "WORKS_OPEN_MAX", 1)
    made = desk()
    made.ask(update())
    assert "close or cancel those that are over" in made.refused(update(OTHER))
    made.ask(CancelWork(work="w1", why="not now"))
    made.ask(update(OTHER))
    assert made.where("w2") == WorkState.PLANNED
