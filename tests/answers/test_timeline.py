"""A relay's history in lanes: worked out backwards, it is what the events say going forwards."""

from __future__ import annotations

from datetime import datetime, timedelta
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from poller.answers.classes import Weight
from poller.answers.timeline import KINDS, Lane, Timeline, timeline
from poller.answers.tracks import Band, overlaid
from poller.model import events as ev
from poller.model.events import Event, Recorded
from poller.model.nameplate import Nameplate
from poller.model.standing import State
from poller.model.status import Behaviour, Health
from poller.model.work import Disposition, WorkState
from poller.state import fold
from tests.journal.made import T0

RELAY = "q07-main-1"
HOUR = timedelta(hours=1)
LISTED = ev.RelayListed(bay="Q07", function="main 1", address="127.1.0.1:502/255")


def at(hour: float) -> datetime:
    return T0 + hour * HOUR


def plate(version: str) -> Nameplate:
    return Nameplate(swRev=version)


def one(before: str, after: str) -> ev.Change:
    return ev.Change(attribute="swRev", before=before, after=after, change=ev.ChangeClass.UNPLANNED)


def change(before: str, after: str) -> ev.NameplateChanged:
    return ev.NameplateChanged(
        change=ev.ChangeClass.UNPLANNED,
        changes=(one(before, after),),
        nameplate=plate(after),
        map="m",
        last_old_at=None,
        first_new_at=T0,
    )


def flag(up: bool) -> ev.Body:
    if up:
        return ev.FlagRose(flag="f", says="x", last_old_at=None, first_new_at=T0)
    return ev.FlagFell(flag="f", last_old_at=None, first_new_at=T0)


def told(
    *story: tuple[float, ev.Body], first: float = 0, last: float = 10, **more: Any
) -> Timeline:
    """The timeline after a story of (hour, what happened)."""
    events = [Event(at=at(hour), subject=RELAY, body=body) for hour, body in ((0, LISTED), *story)]
    numbered = list(enumerate(events, start=1))
    state = fold(State(), numbered)
    recorded = [
        Recorded(seq=seq, id=f"e{seq}", event=event, hash="", stored=b"")
        for seq, event in numbered[::-1]
        if event.body.kind in KINDS and event.at >= at(first)
    ]
    return timeline(state, RELAY, recorded, first=at(first), last=at(last), **more)


def lane(found: Timeline, name: str) -> Lane:
    return next(one for one in found.lanes if one.name == name)


def bands(found: Timeline, name: str) -> list[tuple[float, float, str]]:
    return [
        ((one.first - T0) / HOUR, (one.last - T0) / HOUR, one.says)
        for one in lane(found, name).bands
    ]


FIRST = ev.NameplateFirstRead(nameplate=plate("1.0"), map="m", first_new_at=T0)


def test_versions_follow_one_another() -> None:
    found = told((1, FIRST), (4, change("1.0", "2.0")))
    assert bands(found, "firmware") == [(0, 1, "not known"), (1, 4, "1.0"), (4, 10, "2.0")]
    assert [one.weight for one in lane(found, "firmware").marks] == [Weight.REST, Weight.GRAVE]


def test_what_stood_before_the_span_stands_from_its_begin() -> None:
    found = told((1, FIRST), (4, change("1.0", "2.0")), first=3)
    assert bands(found, "firmware") == [(3, 4, "1.0"), (4, 10, "2.0")]


def test_a_flag_has_a_lane_in_which_it_is_up_while_it_stood() -> None:
    found = told((2, flag(True)), (5, flag(False)))
    assert bands(found, "flag.f") == [(0, 2, "down"), (2, 5, "up"), (5, 10, "down")]


def test_health_and_over_it_a_behaviour_that_is_not_on() -> None:
    found = told(
        (1, ev.HealthChanged(before=None, after=Health.OK)),
        (2, ev.BehaviourChanged(before=Behaviour.ON, after=Behaviour.TEST)),
        (3, ev.BehaviourChanged(before=Behaviour.TEST, after=Behaviour.ON)),
        (6, ev.HealthChanged(before=Health.OK, after=Health.ALARM)),
    )
    assert bands(found, "health") == [
        (0, 1, "not known"),
        (1, 2, "ok"),
        (2, 3, "test"),
        (3, 6, "ok"),
        (6, 10, "alarm"),
    ]


def test_it_answers_or_not_or_is_paused_or_nobody_asked() -> None:
    found = told(
        (1, ev.RelayAnswering(silent_since=None)),
        (2, ev.RelayPaused(why="x")),
        (3, ev.RelayResumed()),
        (4, ev.RelaySilent(last_answer_at=T0, reason="x")),
        (8, ev.RelayAnswering(silent_since=T0)),
        stops=[(at(5), at(6))],
    )
    assert bands(found, "answering") == [
        (0, 1, "not known"),
        (1, 2, "answering"),
        (2, 3, "paused"),
        (3, 4, "answering"),
        (4, 5, "no answer"),
        (5, 6, "Bayroll not running"),
        (6, 8, "no answer"),
        (8, 10, "answering"),
    ]


def test_work_under_way_is_drawn_and_the_relay_not_polled_meanwhile() -> None:
    def moved(before: WorkState, after: WorkState) -> ev.WorkMoved:
        return ev.WorkMoved(work="w1", before=before, after=after, why="x")

    found = told(
        (1, ev.RelayAnswering(silent_since=None)),
        (2, moved(WorkState.PLANNED, WorkState.UNDER_WAY)),
        (4, moved(WorkState.UNDER_WAY, WorkState.WAITING_FOR_RELAY)),
        (5, moved(WorkState.WAITING_FOR_RELAY, WorkState.VERIFIED)),
    )
    assert bands(found, "work") == [(2, 4, "w1 under way"), (4, 5, "w1 waiting for the relay")]
    assert (2, 4, "worked on") in bands(found, "answering")


def test_investigations_are_counted_while_they_are_open() -> None:
    opened = ev.InvestigationOpened(
        investigation="i1", change=ev.ChangeClass.UNPLANNED, changes=(one("1", "2"),)
    )
    closed = ev.DispositionGiven(investigation="i1", disposition=Disposition.REPAIR, why="x")
    found = told((2, opened), (7, closed))
    assert bands(found, "investigations") == [
        (0, 2, "none open"),
        (2, 7, "1 open"),
        (7, 10, "none open"),
    ]


def test_where_events_were_left_out_nothing_is_said_of_the_time_before() -> None:
    found = told((4, flag(True)), first=3, whole=False)
    assert found.known_from == at(4)
    assert bands(found, "flag.f") == [(4, 10, "up")]


@settings(max_examples=100, deadline=None)
@given(st.lists(st.integers(360_000, 35_640_000), unique=True, min_size=1, max_size=40))
def test_bands_are_what_a_walk_through_the_events_finds(times_ms: list[int]) -> None:
    hours = [one / 3_600_000 for one in times_ms]  # no two events in the same millisecond
    story = [(hour, flag(number % 2 == 0)) for number, hour in enumerate(sorted(hours))]
    edges = [0.0, *sorted(hours), 10.0]
    found = bands(told(*story), "flag.f")
    assert [says for *_, says in found] == ["up" if n % 2 else "down" for n in range(len(found))]
    assert [first for first, *_ in found] == pytest.approx(edges[:-1], abs=1e-6)
    assert [last for _, last, _ in found] == pytest.approx(edges[1:], abs=1e-6)


@given(st.lists(st.integers(0, 50), min_size=2, max_size=8, unique=True), st.data())
def test_what_is_laid_over_hides_what_is_under_it_and_nothing_else(
    edges: list[int], data: st.DataObject
) -> None:
    def band(first: int, last: int, says: str) -> Band:
        return Band(first=at(first), last=at(last), says=says, weight=Weight.REST)

    edges.sort()
    under = [band(one, other, "under") for one, other in pairwise(edges)]
    spots = sorted(data.draw(st.lists(st.integers(0, 50), max_size=8, unique=True)))
    over = [band(one, other, "over") for one, other in zip(spots[::2], spots[1::2], strict=False)]

    def says(bands: list[Band], hour: float) -> str | None:
        found = [one.says for one in bands if one.first <= at(hour) < one.last]
        assert len(found) <= 1
        return found[0] if found else None

    found = overlaid(under, over)
    for hour in range(50):
        expected = says(over, hour + 0.5) or says(under, hour + 0.5)
        assert says(found, hour + 0.5) == expected
