"""What events do to points: after each, what was told is what alarms_on makes of the state."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from poller.alarms import states
from poller.alarms.point_values import alarms_on
from poller.alarms.points import alarm_number, assigned
from poller.journal import chain
from poller.journal.ports import Head
from poller.model import events as ev
from poller.model.alarms import Alarm, AlarmState, Audience, Happening, Inhibit, Priority
from poller.model.standing import State
from poller.publishing.iec104.changes import Changes
from poller.publishing.iec104.group import Change
from poller.publishing.iec104.points import Numbers, Picture, picture
from poller.state import fold
from tests.publishing.world import Q07, Q08, T0, alarmed, event, listed, moved, planned, site

SITE = site(outputs={"iec104": {}})
OPERATOR, NOTICE = (Audience.OPERATOR_ALARM,), (Audience.ENGINEERING_NOTICE,)
# two relays, and a point of the poller's that is of several alarms
ALARMS = (f"{Q07}.silent", f"{Q07}.wrong_version", f"{Q08}.silent")
OUTPUTS = ("poller.output_away.mqtt", "poller.output_away.syslog")
FIRST = 1_000


def begun() -> State:
    told = [listed(Q07), listed(Q08)]
    state = fold(State(), list(enumerate(told, 1)))
    told = [event(body, subject) for subject, body in assigned(state.points, SITE)]
    # by a catalogue in which that is for the operator
    told.append(event(ev.PointPlacesAssigned(first=60, entries=("output_away",)), ""))
    answers = [event(ev.RelayAnswering(silent_since=None), name) for name in (Q07, Q08)]
    return fold(state, list(enumerate([*told, *answers], state.seq + 1)))


BEGUN = begun()


def recorded(state: State, event: ev.Event) -> ev.Recorded:
    head = Head(seq=state.seq, hash="0" * 64)
    return chain.record("journal", head, [event])[0]


def about(alarm: Alarm, body: ev.Body) -> ev.Event:
    return ev.Event(at=T0, subject=alarm.subject, body=body)


def found(state: State, name: str) -> Alarm:
    subject, rest = name.split(".", 1)
    of_poller = subject == "poller"
    new = Alarm(
        id=name,
        entry=rest.split(".")[0] if of_poller else rest,
        subject="" if of_poller else subject,
        since=T0,
        audience=OPERATOR,
    )
    return state.alarms.get(name, new)


def goes(alarm: Alarm, happening: Happening) -> ev.Event | None:
    pair = alarm.state, happening
    if pair in states.STAYS or pair in states.REFUSED:
        return None
    body = ev.AlarmMoved(
        alarm=alarm.id,
        entry=alarm.entry,
        audience=alarm.audience,
        priority=Priority.LOW,
        happening=happening,
        before=alarm.state,
        after=states.STEP[pair],
        says="",
        since=T0,
        occurrence="",
        annunciated=alarm.inhibits.shown is None,
        chattering=False,
    )
    return about(alarm, body)


def inhibited(alarm: Alarm, inhibit: Inhibit) -> ev.Event:
    if alarm.inhibits.of(inhibit) is not None:
        return about(alarm, ev.AlarmReleased(alarm=alarm.id, inhibit=inhibit, why=""))
    return about(
        alarm,
        ev.AlarmInhibited(alarm=alarm.id, entry=alarm.entry, inhibit=inhibit, until=None, why=""),
    )


def rated(alarm: Alarm) -> ev.Event:
    audience = NOTICE if alarm.audience == OPERATOR else OPERATOR
    return about(alarm, ev.AlarmRated(alarm=alarm.id, audience=audience, priority=Priority.HIGH))


Step = tuple[str, Happening | Inhibit | None]
HAPPENS = st.sampled_from((Happening.OCCURS, Happening.RETURNS, Happening.ACKNOWLEDGED))
MOVES = st.tuples(st.sampled_from(ALARMS + OUTPUTS), HAPPENS | st.sampled_from(Inhibit))
RATINGS = st.tuples(st.sampled_from(ALARMS), st.none())


def story(steps: Sequence[Step]) -> Iterator[tuple[list[ev.Recorded], State]]:
    """The events of each step, with the state after them; as poller/alarms tells them."""
    state = BEGUN
    for name, what in steps:
        alarm = found(state, name)
        told: list[ev.Event | None] = []
        if isinstance(what, Happening):
            told = [goes(alarm, what)]
        elif isinstance(what, Inhibit):
            told = [inhibited(alarm, what)]
            if alarm.inhibits.of(what) is not None:
                rest = replace(alarm, inhibits=alarm.inhibits.with_(what, None))
                how = Happening.RELEASED_ALARM if alarm.active else Happening.RELEASED_NORMAL
                if rest.inhibits.shown is None and (alarm.state, how) not in states.STAYS:
                    told.append(goes(rest, how))
        elif name in state.alarms:
            told = [rated(alarm)]
        kept = []
        for one in filter(None, told):
            kept.append(recorded(state, one))
            state = fold(state, [(kept[-1].seq, one)])
        if kept:
            yield kept, state


def values(changes: Sequence[Change], image: dict[int, int]) -> dict[int, int]:
    """The image of a control centre after them."""
    for change in changes:
        image |= dict(change.objects)
    return image


def on(image: dict[int, int]) -> set[int]:
    return {address - FIRST for address, point in image.items() if point & 1}


def follow(changes: Changes, events: Sequence[ev.Recorded], state: State) -> list[Change]:
    told, topical = changes.of(events, state, Numbers(state.points, SITE), kept=True)
    assert topical == []
    return told


@given(st.lists(MOVES | RATINGS, max_size=40))
def test_after_each_step_a_client_knows_what_stands(steps: list[Step]) -> None:
    changes, image = Changes(FIRST), {}
    changes.begin(picture(BEGUN))
    for events, state in story(steps):
        values(follow(changes, events, state), image)
        assert on(image) == alarms_on(state)


@given(st.lists(MOVES, max_size=40), st.data())
def test_however_events_are_given_the_same_is_told_in_the_same_order(
    steps: list[Step], data: st.DataObject
) -> None:
    told = list(story(steps))
    alone, together = Changes(FIRST), Changes(FIRST)
    for one in (alone, together):
        one.begin(picture(BEGUN))
    singly = [change for events, state in told for change in follow(alone, events, state)]
    rest = [one for events, _ in told for one in events]
    batches: list[Change] = []
    while rest:
        cut = data.draw(st.integers(1, len(rest)))
        batches += follow(together, rest[:cut], told[-1][1])
        rest = rest[cut:]
    assert batches == singly


@given(st.lists(MOVES, max_size=40), st.data())
def test_after_a_start_nothing_that_moved_is_left_out(
    steps: list[Step], data: st.DataObject
) -> None:
    """Nothing is known then of how it stood before; some is told that a client knows already."""
    told = list(story(steps))
    cut = data.draw(st.integers(0, len(told)))
    before = told[cut - 1][1] if cut else BEGUN
    later = [one for events, _ in told[cut:] for one in events]
    if not later:
        return
    image = {FIRST + one: 1 for one in alarms_on(before)}
    values(follow(Changes(FIRST), later, told[-1][1]), image)
    # of two alarms of one point one may go and the other stand: the next picture knows it
    several = {alarm_number(BEGUN.points, "", "output_away")}
    assert on(image) - several == alarms_on(told[-1][1]) - several


# One by one.


def told(*events: ev.Event, known: State = BEGUN) -> list[tuple[int, int]]:
    changes, state = Changes(FIRST), known
    changes.begin(picture(known))
    found = []
    for one in events:
        kept = recorded(state, one)
        state = fold(state, [(kept.seq, one)])
        values, topical = changes.of([kept], state, Numbers(state.points, SITE), kept=True)
        found += [what for change in values + topical for what in change.objects]
    return found


def address(relay: str, entry: str) -> int:
    number = alarm_number(BEGUN.points, relay, entry)
    assert number is not None
    return FIRST + number


HERE = address(Q07, "silent")


def test_a_second_occurrence_is_told_although_it_stands() -> None:
    again = goes(replace(found(BEGUN, ALARMS[0]), state=AlarmState.ACKNOWLEDGED), Happening.OCCURS)
    assert again is not None
    acked = alarmed(AlarmState.ACKNOWLEDGED)
    assert told(alarmed(), acked, again) == [(HERE, 1), (HERE, 1)]


def test_who_acknowledged_is_no_business_of_a_point() -> None:
    assert told(alarmed(), alarmed(AlarmState.ACKNOWLEDGED)) == [(HERE, 1)]


def test_what_the_operator_is_not_told_of_is_not_told() -> None:
    assert told(alarmed(audience=NOTICE)) == []


def test_an_alarm_without_a_point_is_not_told() -> None:
    assert told(alarmed(alarm=f"{Q07}.no_such_entry")) == []


def test_a_point_of_two_alarms_falls_with_the_last_of_them() -> None:
    away, also = (goes(found(BEGUN, name), Happening.OCCURS) for name in OUTPUTS)
    back, last = (
        goes(replace(found(BEGUN, name), state=AlarmState.ACKNOWLEDGED), Happening.RETURNS)
        for name in OUTPUTS
    )
    assert None not in (away, also, back, last)
    there = address("", "output_away")
    moves = [one for one in (away, also, back, last) if one is not None]
    assert told(*moves) == [(there, 1), (there, 1), (there, 0)]


def test_all_points_of_a_relay_say_that_it_is_not_read_any_more() -> None:
    here = Numbers(BEGUN.points, SITE).by_owner[Q07]
    silent = event(ev.RelaySilent(last_answer_at=T0, reason="no answer"))
    assert told(silent) == [(FIRST + one, 0x40) for one in here]
    answers = event(ev.RelayAnswering(silent_since=None))
    assert told(silent, answers)[len(here) :] == [(FIRST + one, 0) for one in here]


def test_what_moves_meanwhile_carries_it_too() -> None:
    silent = event(ev.RelaySilent(last_answer_at=T0, reason="no answer"))
    assert told(silent, alarmed())[-1] == (HERE, 0x41)


def test_a_relay_that_is_worked_on_is_not_read() -> None:
    assert {what for _, what in told(planned(), moved())} == {0x40}


def test_what_is_told_fits_into_an_asdu() -> None:
    changes = Changes(FIRST)
    changes.begin(picture(BEGUN))
    silent = recorded(BEGUN, event(ev.RelaySilent(last_answer_at=T0, reason="no answer")))
    state = fold(BEGUN, [(silent.seq, silent.event)])
    numbers = Numbers(BEGUN.points, SITE)
    numbers.__dict__["by_owner"] = {Q07: tuple(range(64, 128))}
    _, topical = changes.of([silent], state, numbers, kept=True)
    assert [len(change.objects) for change in topical] == [22, 22, 20]


def test_runs_are_sequences_that_fit_into_an_asdu() -> None:
    numbers = Numbers(BEGUN.points, SITE)
    numbers.__dict__["by_owner"] = {"a": tuple(range(300)), "b": (302, 303, 400)}
    assert numbers.runs == (
        range(127), range(127, 254), range(254, 300), range(302, 304), range(400, 401),
    )  # fmt: skip


def test_a_picture_of_nothing() -> None:
    assert picture(State()) == Picture(standing={}, not_read=frozenset())
