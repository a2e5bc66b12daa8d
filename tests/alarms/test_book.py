"""The book of alarms as a whole: people's requests, restarts at any moment, and its bounds."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from poller.alarms.requests import (
    AckAlarm,
    AlarmRequest,
    ResetLatch,
    ReturnToService,
    ShelveAlarm,
    TakeOutOfService,
    UnshelveAlarm,
)
from poller.decide import About, Attend, Refusal, Started, decide
from poller.journal import snapshot
from poller.journal.snapshot import Snapshot
from poller.judging.findings import Edges
from poller.model import events as ev
from poller.model import limits
from poller.model.alarms import Alarm, AlarmState, Cause, Own
from poller.model.standing import State
from poller.model.status import Behaviour, Health
from poller.model.work import WorkState
from poller.site.shipped_alarms import TEXT
from poller.state import ALARMS, fold
from tests.alarms.world import (
    BEHIND,
    DIRECT,
    PERSON,
    SITE,
    T0,
    World,
    added,
    answers,
    at,
    behaves,
    fell,
    health,
    moved,
    opened,
    rose,
    silent,
    site,
)

Q = "q01-main1"
FLAG = f"{Q}.flag.firmware_changed"


def flagged() -> World:
    world = World()
    world.happens(0, (Q, rose("firmware_changed", 0)))
    return world


def test_an_alarm_is_acknowledged_by_a_person_who_is_on_record() -> None:
    world = flagged()
    world.ask(10, AckAlarm(alarm=FLAG, why="engineer called"))
    ack = world.alarm(FLAG).acked
    assert ack is not None
    assert (ack.by, ack.at, ack.comment) == (PERSON, at(10), "engineer called")


NOBODY = """
q01-main1.nothing
q99-main1.silent
silent
q01-main1.flag_left
poller.output_away
network.many_silent
"""


@pytest.mark.parametrize("name", NOBODY.strip().splitlines())
def test_an_alarm_that_never_was_and_none_can_have_is_refused(name: str) -> None:
    with pytest.raises(Refusal, match=f"{name}: no such alarm"):
        World().ask(0, TakeOutOfService(alarm=name, why="x"))


def test_an_alarm_that_never_was_can_be_shelved_before_it_comes() -> None:
    world = World()
    world.ask(0, ShelveAlarm(alarm=FLAG, for_s=600, why="crew at the relay"))
    world.happens(60, (Q, rose("firmware_changed", 60)))
    world.run(60, 595)
    assert (world.letters, world.annunciated) == ({FLAG: "E"}, [])
    world.look(600)
    assert (world.letters, world.annunciated) == ({FLAG: "B"}, [FLAG])


def test_an_alarm_of_a_relay_that_is_not_listed_can_not_be_shelved_before_it_comes() -> None:
    world = World()
    world.happens(0, (Q, ev.RelayDelisted()))
    with pytest.raises(Refusal, match="no such alarm"):
        world.ask(10, TakeOutOfService(alarm=FLAG, why="x"))


def test_a_latch_of_the_catalogue_holds_an_alarm_until_it_is_reset() -> None:
    changed = TEXT.replace(
        "    flag: firmware_changed\n", "    flag: firmware_changed\n    latching: true\n"
    )
    world = World(site(changed))
    world.happens(0, (Q, rose("firmware_changed", 0)))
    world.happens(10, (Q, fell("firmware_changed", 10)))
    assert (world.letters, world.alarm(FLAG).latched) == ({FLAG: "B"}, True)
    world.ask(20, ResetLatch(alarm=FLAG, why="seen"))
    assert world.letters == {FLAG: "D"}


def test_what_follows_for_alarms_comes_with_what_it_follows_from() -> None:
    edges = Edges(flags={"firmware_changed": True}, last_old_at=None, first_new_at=at(0))
    told = decide(World().state, SITE, About(relay=Q, finding=edges), at(0), cause="c1").events
    assert [event.body.kind for event in told] == ["flag_rose", "alarm_moved"]
    assert {event.cause for event in told} == {"c1"}


def test_a_new_start_makes_no_alarm_of_what_stood_before() -> None:
    told = decide(flagged().state, SITE, Started(version="1"), at(60)).events
    assert [event for event in told if event.body.kind in ALARMS] == []


def test_a_delay_runs_on_over_a_restart() -> None:
    world = World()
    world.happens(0, (Q, silent(-180)))
    world.happens(100, ("", ev.ServiceStarted(version="1")))
    world.run(100, 295)
    assert world.letters == {}
    world.look(300)
    assert world.letters == {f"{Q}.silent": "B"}


def test_a_delay_that_ran_out_while_nobody_looked_waits_until_relays_were_asked_again() -> None:
    world = World()
    world.happens(0, (Q, silent(-180)), (BEHIND[0], silent(-180)))
    world.happens(5_000, ("", ev.ServiceStarted(version="1")))
    world.look(5_005)
    world.happens(5_060, (Q, answers()))
    world.run(5_060, 5_120)
    assert world.letters == {f"{BEHIND[0]}.silent": "B"}


def test_it_waits_as_long_for_a_relay_behind_a_gateway_as_its_delay_had_been() -> None:
    """Found by seed 984: it waited for the ten seconds of the entry alone."""
    world = World(site(TEXT.replace("on_delay_s: 300", "on_delay_s: 10", 1)))
    world.happens(0, (BEHIND[0], silent(-180)))
    world.happens(5_000, ("", ev.ServiceStarted(version="1")))
    world.run(5_000, 5_115)
    assert world.letters == {}
    world.look(5_120)
    assert world.letters == {f"{BEHIND[0]}.silent": "B"}


def test_time_and_the_pollers_own_facts_reach_the_book_with_attend() -> None:
    own = Own(cause=Cause.DISK_LOW, holds=True, since=T0, says="1 % is free")
    world = World()
    for second in (0, 60):
        events = decide(world.state, SITE, Attend(own=(own,)), at(second)).events
        world.state = fold(world.state, enumerate(events, world.state.seq + 1))
    assert world.letters == {"poller.disk_low": "B"}


def test_a_request_is_the_persons_and_what_follows_is_nobodys() -> None:
    world = flagged()
    request = AckAlarm(alarm=FLAG, why="seen")
    (event,) = decide(world.state, SITE, request, at(10), by=PERSON, cause="c1").events
    assert (event.subject, event.by, event.cause) == (Q, PERSON, "c1")


def test_no_more_alarms_stand_than_are_kept() -> None:
    standing = {
        f"a{n}": Alarm(id=f"a{n}", entry="x", subject="", since=T0, state=AlarmState.UNACKNOWLEDGED)
        for n in range(limits.ALARMS_KEPT)
    }
    world = World()
    world.state = replace(world.state, alarms=standing)
    world.happens(0, (Q, rose("firmware_changed", 0)))
    assert FLAG not in world.state.alarms


def test_the_oldest_at_rest_make_room_for_those_that_come() -> None:
    at_rest = {
        f"a{n}": Alarm(id=f"a{n}", entry="x", subject="", since=at(n - 90_000))
        for n in range(limits.ALARMS_KEPT)
    }
    world = World()
    world.state = replace(world.state, alarms=at_rest)
    world.happens(0, (Q, rose("firmware_changed", 0)))
    assert len(world.state.alarms) == limits.ALARMS_KEPT
    assert (FLAG in world.state.alarms, "a0" in world.state.alarms) == (True, False)


# Anything in any order, and a restart at any moment.

NAMES = st.sampled_from((DIRECT[0], DIRECT[1], *BEHIND))
FLAGS = st.sampled_from(("firmware_changed", "relay_failure", "support_ending"))
IDS = st.sampled_from(
    [f"{name}.{entry}" for name in (DIRECT[0], BEHIND[0]) for entry in ("silent", "relay_failure")]
    + [f"{DIRECT[0]}.flag.firmware_changed", "gateway-127-1-2-1-502.gateway_silent"]
)
WORDS = st.sampled_from(
    [AckAlarm, UnshelveAlarm, TakeOutOfService, ReturnToService, ResetLatch, ShelveAlarm]
)
STEP = st.one_of(
    st.tuples(st.just("look")),
    st.tuples(st.just("silent"), NAMES),
    st.tuples(st.just("answers"), NAMES),
    st.tuples(st.just("rose"), NAMES, FLAGS),
    st.tuples(st.just("fell"), NAMES, FLAGS),
    st.tuples(st.just("behaves"), NAMES, st.sampled_from(Behaviour)),
    st.tuples(st.just("health"), NAMES, st.sampled_from(Health)),
    st.tuples(st.just("opened"), NAMES),
    st.tuples(st.just("work"), st.sampled_from((DIRECT[0], BEHIND[0]))),
    st.tuples(st.just("clock"), st.sampled_from((-3_600, 3_600))),
    st.tuples(st.just("ask"), IDS, WORDS),
)
STORY = st.lists(st.tuples(st.sampled_from((5, 60, 300, 2_000)), STEP), min_size=1, max_size=40)
WORK = (WorkState.PLANNED, WorkState.UNDER_WAY, WorkState.CHECKING, WorkState.VERIFIED)


class Anything(World):
    """Does whatever it is told; a request that is refused changes nothing."""

    def step(self, now: float, step: tuple[Any, ...]) -> None:
        match step:
            case ("look",):
                self.look(now)
            case ("silent", name):
                self.happens(now, (name, silent(now - 180)))
            case ("answers", name):
                self.happens(now, (name, answers()))
            case ("rose", name, flag):
                self.happens(now, (name, rose(flag, now)))
            case ("fell", name, flag):
                self.happens(now, (name, fell(flag, now)))
            case ("behaves", name, after):
                self.happens(now, (name, behaves(after)))
            case ("health", name, after):
                self.happens(now, (name, health(after)))
            case ("opened", name):
                number = self.state.investigations_ever + 1
                self.happens(now, (name, opened(number, ev.ChangeClass.UNPLANNED)))
            case ("work", name):
                self._work(now, name)
            case ("clock", by_s):
                self.happens(now, ("", ev.ClockStepped(by_ms=by_s * 1_000)))
            case ("ask", name, kind):
                self._ask(now, name, kind)

    def _work(self, now: float, name: str) -> None:
        works = [one for one in self.state.works.values() if one.plan.relay == name]
        if not works:
            number = f"w{self.state.works_ever + 1}"
            self.happens(now, (name, added(name, now, now + 3_000, work=number)))
        elif works[0].state != WORK[-1]:
            after = WORK[WORK.index(works[0].state) + 1]
            self.happens(now, (name, moved(works[0].state, after, works[0].id)))

    def _ask(self, now: float, name: str, kind: type[AlarmRequest]) -> None:
        more = {"for_s": 1_800} if kind is ShelveAlarm else {}
        with suppress(Refusal):
            self.ask(now, kind(alarm=name, why="so it is", **more))


def tell(world: Anything, story: list[tuple[int, tuple[Any, ...]]], first: int, last: int) -> None:
    """The steps from first to last; time runs on from the first of all."""
    for number, (_, step) in enumerate(story):
        if first <= number < last:
            now = sum(wait for wait, _ in story[: number + 1])
            world.step(now, step)


@settings(max_examples=60, deadline=None)
@given(STORY, st.integers(0, 40))
def test_a_restart_at_any_moment_changes_nothing(
    story: list[tuple[int, tuple[Any, ...]]], cut: int
) -> None:
    whole, halves = Anything(), Anything()
    tell(whole, story, 0, len(story))
    tell(halves, story, 0, cut)
    kept = snapshot.to_bytes(Snapshot(hash="00", state=halves.state))
    halves.state = snapshot.from_bytes(kept).state
    tell(halves, story, cut, len(story))
    assert halves.events == whole.events
    assert halves.state == whole.state


@settings(max_examples=60, deadline=None)
@given(STORY)
def test_every_move_is_by_the_table_and_none_is_told_twice(
    story: list[tuple[int, tuple[Any, ...]]],
) -> None:
    world = Anything()
    tell(world, story, 0, len(story))
    for name in world.state.alarms:
        states = [AlarmState.NORMAL]
        for event in world.events:
            if isinstance(event.body, ev.AlarmMoved) and event.body.alarm == name:
                assert event.body.before == states[-1]
                states.append(event.body.after)
        assert world.state.alarms[name].state == states[-1]


@settings(max_examples=60, deadline=None)
@given(STORY)
def test_looking_twice_tells_nothing_the_second_time(
    story: list[tuple[int, tuple[Any, ...]]],
) -> None:
    world = Anything()
    tell(world, story, 0, len(story))
    now = sum(wait for wait, _ in story)
    world.look(now)
    assert world.look(now) == []


@settings(max_examples=60, deadline=None)
@given(STORY)
def test_a_journal_told_again_from_its_beginning_makes_the_same_book(
    story: list[tuple[int, tuple[Any, ...]]],
) -> None:
    world = Anything()
    tell(world, story, 0, len(story))
    assert fold(State(), enumerate(world.events, 1)).alarms == world.state.alarms


@settings(max_examples=60, deadline=None)
@given(STORY)
def test_once_all_is_well_and_acknowledged_nothing_stands(
    story: list[tuple[int, tuple[Any, ...]]],
) -> None:
    world = Anything()
    tell(world, story, 0, len(story))
    now = float(sum(wait for wait, _ in story) + 10_000)
    for name in (DIRECT[0], DIRECT[1], *BEHIND):
        world.happens(now, (name, answers()), (name, behaves(Behaviour.ON)))
        world.happens(now, (name, health(Health.OK)))
        for flag in list(world.state.relays[name].flags):
            world.happens(now, (name, fell(flag, now)))
    for one in list(world.state.investigations.values()):
        given_up = ev.DispositionGiven(
            investigation=one.id, disposition=ev.Disposition.REPAIR, why="x"
        )
        world.happens(now, (one.relay, given_up))
    world.run(now, now + 4_000, step=100)
    for alarm in list(world.state.alarms.values()):
        if alarm.inhibits.out_of_service is not None:
            world.ask(now + 4_000, ReturnToService(alarm=alarm.id, why="x"))
        if world.alarm(alarm.id).letter == "D":
            world.ask(now + 4_000, AckAlarm(alarm=alarm.id, why="x"))
    assert [alarm.id for alarm in world.state.alarms.values() if alarm.stands] == []
