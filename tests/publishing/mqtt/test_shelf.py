"""What is due at the broker: by acknowledgement, change and period."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import pytest

from poller.model import events as ev
from poller.model import limits
from poller.model.standing import Relay, State
from poller.model.status import Health, StatusReading
from poller.model.work import FirmwareStatus, WorkState
from poller.publishing.bodies import nameplate_body
from poller.publishing.messages import NameplateMessage
from poller.publishing.mqtt.shelf import Shelf
from poller.publishing.mqtt.topics import Topic
from poller.publishing.projections import Known, Projection
from poller.state import fold
from tests.publishing.world import (
    Q07,
    Q08,
    changed,
    delisted,
    event,
    first_read,
    judged,
    listed,
    moved,
    planned,
    reading,
    seen,
    site,
)

SITE = site(status_publish_s=300)
PLATE07 = f"bayroll/v1/tarn-hill/relay/{Q07}/nameplate"
STATUS07 = f"bayroll/v1/tarn-hill/relay/{Q07}/status"
FIRMWARE07 = f"bayroll/v1/tarn-hill/relay/{Q07}/firmware_status"
W1, W2 = "bayroll/v1/tarn-hill/work/w1", "bayroll/v1/tarn-hill/work/w2"


def state_of(*events: object, base: State | None = None) -> State:
    base = base or State()
    return fold(base, enumerate(events, start=base.seq + 1))  # type: ignore[arg-type]


def bring_up(shelf: Shelf, state: State, live: Mapping[str, StatusReading]) -> None:
    """All of it."""
    for _ in shelf.bring_up(state, live):
        pass


def topics(shelf: Shelf, now_s: float = 0) -> list[str]:
    return [topic for topic, _ in shelf.due(now_s)]


def deliver(shelf: Shelf, now_s: float = 0) -> None:
    for topic, body in shelf.due(now_s):
        shelf.published(topic, body, now_s)


BOTH = state_of(listed(), first_read())


def test_everything_is_due_on_a_new_connection_and_nothing_after_it() -> None:
    shelf = Shelf(SITE, {})
    bring_up(shelf, BOTH, {})
    assert topics(shelf) == [PLATE07, STATUS07, FIRMWARE07]
    deliver(shelf)
    assert topics(shelf) == []
    shelf.new_connection()
    assert topics(shelf) == [PLATE07, STATUS07, FIRMWARE07]


def test_bodies_are_made_bit_by_bit(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("poller.publishing.mqtt.shelf.BODIES_AT_ONCE", 2)
    shelf = Shelf(SITE, {})
    due = [topics(shelf) for _ in shelf.bring_up(BOTH, {})]
    assert due == [[PLATE07, STATUS07], [PLATE07, STATUS07, FIRMWARE07]]


def test_what_is_left_undone_is_made_by_the_next_call(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("poller.publishing.mqtt.shelf.BODIES_AT_ONCE", 1)
    shelf = Shelf(SITE, {PLATE07: "x", W1: "x"})
    next(iter(shelf.bring_up(BOTH, {})))
    assert (topics(shelf), shelf.to_clear()) == ([PLATE07], [])
    bring_up(shelf, BOTH, {})
    assert (topics(shelf), shelf.to_clear()) == ([PLATE07, STATUS07, FIRMWARE07], [W1])


def test_what_was_not_acknowledged_stays_due() -> None:
    shelf = Shelf(SITE, {})
    bring_up(shelf, BOTH, {})
    (topic, body), *_ = shelf.due(0)
    shelf.published(topic, body, 0)
    assert topics(shelf) == [STATUS07, FIRMWARE07]


def test_only_the_newest_is_kept() -> None:
    shelf = Shelf(SITE, {})
    state = BOTH
    for version in ("2.0", "3.0"):
        state = state_of(changed(version), base=state)
        bring_up(shelf, state, {})
    ((_, body),) = [one for one in shelf.due(0) if one[0] == PLATE07]
    assert b'"swRev":"3.0"' in body.payload


def test_a_body_acknowledged_after_it_was_overtaken_leaves_the_newer_one_due() -> None:
    shelf = Shelf(SITE, {})
    bring_up(shelf, BOTH, {})
    on_its_way = dict(shelf.due(0))
    bring_up(shelf, state_of(changed("2.0"), base=BOTH), {})
    for topic, body in on_its_way.items():
        shelf.published(topic, body, 0)
    assert topics(shelf) == [PLATE07]


def test_what_was_taken_away_while_it_was_on_its_way_is_cleared_and_not_told_again() -> None:
    shelf = Shelf(SITE, {})
    bring_up(shelf, BOTH, {})
    on_its_way = dict(shelf.due(0))
    bring_up(shelf, state_of(delisted(), base=BOTH), {})
    for topic, body in on_its_way.items():
        shelf.published(topic, body, 0)
    assert shelf.to_clear() == [FIRMWARE07, PLATE07, STATUS07]
    assert topics(shelf, now_s=1_000) == []


def test_status_is_due_again_after_its_period_and_the_nameplate_is_not() -> None:
    shelf = Shelf(SITE, {})
    bring_up(shelf, BOTH, {})
    deliver(shelf, now_s=1_000)
    assert topics(shelf, now_s=1_299.9) == []
    assert topics(shelf, now_s=1_300) == [STATUS07]


def test_a_live_value_alone_makes_status_due() -> None:
    shelf = Shelf(SITE, {})
    bring_up(shelf, BOTH, {Q07: reading()})
    deliver(shelf)
    bring_up(shelf, BOTH, {Q07: reading(health=Health.ALARM)})
    assert topics(shelf) == [STATUS07]


def test_nothing_is_cleared_before_it_is_known_what_stands() -> None:
    shelf = Shelf(SITE, {PLATE07: "x", "bayroll/v1/old-name/poller": "y"})
    assert shelf.to_clear() == []
    bring_up(shelf, BOTH, {})
    assert shelf.to_clear() == ["bayroll/v1/old-name/poller"]


def test_a_relay_no_longer_listed_is_cleared_until_that_is_acknowledged() -> None:
    shelf = Shelf(SITE, {})
    bring_up(shelf, state_of(listed(Q08), base=BOTH), {})
    bring_up(shelf, state_of(listed(Q08), delisted(), base=BOTH), {})
    assert shelf.to_clear() == [FIRMWARE07, PLATE07, STATUS07]
    assert not any(Q07 in topic for topic in topics(shelf))
    shelf.cleared(PLATE07)
    assert shelf.to_clear() == [FIRMWARE07, STATUS07]


def test_a_relay_listed_again_is_shown_again() -> None:
    shelf = Shelf(SITE, {})
    gone = state_of(delisted(), base=BOTH)
    bring_up(shelf, gone, {})
    for topic in shelf.to_clear():
        shelf.cleared(topic)
    bring_up(shelf, state_of(listed(), base=gone), {})
    assert shelf.to_clear() == []
    assert topics(shelf) == [PLATE07, STATUS07, FIRMWARE07]


def test_a_relay_listed_again_before_the_clear_went_out_is_not_cleared() -> None:
    shelf = Shelf(SITE, {})
    gone = state_of(delisted(), base=BOTH)
    bring_up(shelf, gone, {})
    bring_up(shelf, state_of(listed(), base=gone), {})
    assert shelf.to_clear() == []


def test_what_is_about_to_be_published_is_noted_once() -> None:
    shelf = Shelf(SITE, {})
    bring_up(shelf, BOTH, {})
    due = shelf.due(0)
    notes = shelf.to_note(due)
    assert notes == {topic: body.digest for topic, body in due}
    shelf.noted(notes)
    assert shelf.to_note(due) == {}


def test_a_change_of_what_stands_there_costs_the_journal_nothing() -> None:
    shelf = Shelf(SITE, {})
    bring_up(shelf, BOTH, {})
    shelf.noted(shelf.to_note(shelf.due(0)))
    for topic, body in shelf.due(0):
        shelf.published(topic, body, 0)
    bring_up(shelf, state_of(changed("2.0"), base=BOTH), {})
    assert [body.schema for _, body in shelf.due(1)] == ["bayroll/nameplate/1"]
    assert shelf.to_note(shelf.due(1)) == {}


def test_a_row_and_a_function_are_enough_for_a_further_topic(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Whatever the state knows by an id: here relays that are silent, told as their nameplate."""

    def silent(known: Known) -> Iterator[tuple[str, tuple[Relay]]]:
        for name, relay in known.state.relays.items():
            if relay.answering is False:
                yield name, (relay,)

    row = Topic(
        name="silent",
        address="bayroll/v1/{site}/silent/{relay}",
        about="The id of a position.",
        message=NameplateMessage,
        retained=True,
        projection=Projection(of=silent, body=nameplate_body),
        says="Relays that do not answer.",
    )
    monkeypatch.setattr("poller.publishing.mqtt.shelf.PROJECTED", ((row, row.projection),))
    shelf = Shelf(SITE, {})
    quiet = state_of(event(ev.RelaySilent(last_answer_at=None, reason="")), base=BOTH)
    bring_up(shelf, quiet, {})
    assert topics(shelf) == [f"bayroll/v1/tarn-hill/silent/{Q07}"]
    deliver(shelf)
    bring_up(shelf, state_of(event(ev.RelayAnswering(silent_since=None)), base=quiet), {})
    assert shelf.to_clear() == [f"bayroll/v1/tarn-hill/silent/{Q07}"]


# Firmware status and work.

WORKED = state_of(planned(), base=BOTH)


def shown(state: State) -> Shelf:
    """A shelf that has published all of it."""
    shelf = Shelf(SITE, {})
    bring_up(shelf, state, {})
    deliver(shelf)
    return shelf


def test_a_firmware_status_makes_its_topic_due_and_no_other_of_the_relay() -> None:
    shelf = shown(BOTH)
    bring_up(shelf, state_of(judged(FirmwareStatus.CURRENT), base=BOTH), {})
    assert topics(shelf) == [FIRMWARE07]


def test_work_is_due_when_it_is_added_and_when_it_moves() -> None:
    shelf = shown(BOTH)
    bring_up(shelf, WORKED, {})
    assert topics(shelf) == [W1]
    deliver(shelf)
    bring_up(shelf, state_of(moved(), base=WORKED), {})
    assert topics(shelf) == [W1]


def test_what_happens_to_a_relay_is_no_reason_to_tell_of_its_work_again() -> None:
    shelf = shown(WORKED)
    bring_up(shelf, state_of(seen(1), base=WORKED), {})
    assert topics(shelf) == []


ENDINGS = (WorkState.CLOSED, WorkState.CANCELLED)


@pytest.mark.parametrize("ending", ENDINGS)
def test_work_that_ended_is_cleared(ending: WorkState) -> None:
    shelf = shown(state_of(planned("w2"), base=WORKED))
    bring_up(shelf, state_of(planned("w2"), moved("w1", ending), base=WORKED), {})
    assert (shelf.to_clear(), topics(shelf)) == ([W1], [])
    shelf.cleared(W1)
    assert shelf.to_clear() == []


@pytest.mark.parametrize("after", [one for one in WorkState if one not in ENDINGS])
def test_work_that_has_not_ended_stands(after: WorkState) -> None:
    shelf = shown(WORKED)
    bring_up(shelf, state_of(moved("w1", after), base=WORKED), {})
    assert shelf.to_clear() == []


def test_moves_that_nobody_was_told_of_become_one_message() -> None:
    shelf = Shelf(SITE, {})
    state = WORKED
    for after in (WorkState.READY, WorkState.UNDER_WAY, WorkState.WAITING_FOR_RELAY):
        state = state_of(moved("w1", after), base=state)
        bring_up(shelf, state, {})
    ((_, body),) = [one for one in shelf.due(0) if one[0] == W1]
    assert b'"state":"waiting_for_relay"' in body.payload


def test_work_that_came_and_ended_while_nobody_was_told_is_never_shown() -> None:
    shelf = shown(BOTH)
    bring_up(shelf, state_of(planned(), moved("w1", WorkState.CLOSED), base=BOTH), {})
    assert W1 not in topics(shelf)


CLOSED = state_of(moved("w1", WorkState.CLOSED), planned("w2"), base=WORKED)


@pytest.mark.parametrize("noted", [{W1: "x"}, {}], ids=["noted", "note lost in a crash"])
def test_work_that_ended_before_a_start_is_cleared_and_the_rest_is_shown(
    noted: dict[str, str],
) -> None:
    shelf = Shelf(SITE, noted)
    bring_up(shelf, CLOSED, {})
    assert shelf.to_clear() == [W1]
    assert W2 in topics(shelf)


def many_ended() -> State:
    names = [f"w{number}" for number in range(limits.WORK_CLEARED_MAX + 5)]
    events = [one for name in names for one in (planned(name), moved(name, WorkState.CLOSED))]
    return state_of(*events, base=BOTH)


def test_of_work_that_ended_long_ago_nothing_is_told_at_a_start() -> None:
    shelf = Shelf(SITE, {})
    bring_up(shelf, many_ended(), {})
    assert len(shelf.to_clear()) == limits.WORK_CLEARED_MAX


def test_work_that_ended_long_ago_is_cleared_where_a_note_says_so() -> None:
    state = many_ended()
    bare = Shelf(SITE, {})
    bring_up(bare, state, {})
    old = [
        name for name in state.works if f"bayroll/v1/tarn-hill/work/{name}" not in bare.to_clear()
    ]
    topic = f"bayroll/v1/tarn-hill/work/{old[0]}"
    shelf = Shelf(SITE, {topic: "x"})
    bring_up(shelf, state, {})
    assert topic in shelf.to_clear()


def test_work_is_cleared_once_however_much_ends_after_it() -> None:
    shelf = Shelf(SITE, {})
    state = many_ended()
    bring_up(shelf, state, {})
    for topic in shelf.to_clear():
        shelf.cleared(topic)
    bring_up(shelf, state_of(planned("w999"), base=state), {})
    bring_up(shelf, state_of(planned("w999"), moved("w999", WorkState.CLOSED), base=state), {})
    assert shelf.to_clear() == ["bayroll/v1/tarn-hill/work/w999"]


LONG = state_of(moved("w1", WorkState.READY, why="x" * 9_000), base=WORKED)


def test_what_is_too_long_for_the_broker_is_not_due_and_what_stood_there_is_cleared_once() -> None:
    shelf = Shelf(SITE, {W1: "x"})
    shelf.new_connection(bytes_max=8_000)
    bring_up(shelf, LONG, {})
    assert W1 not in topics(shelf)
    assert (shelf.too_long(), shelf.to_clear()) == ([W1], [W1])
    shelf.cleared(W1)
    assert (shelf.too_long(), shelf.to_clear()) == ([W1], [])


def test_another_broker_may_take_more() -> None:
    shelf = Shelf(SITE, {})
    shelf.new_connection(bytes_max=8_000)
    bring_up(shelf, LONG, {})
    shelf.new_connection(bytes_max=None)
    assert W1 in topics(shelf)
    assert (shelf.too_long(), shelf.to_clear()) == ([], [])
