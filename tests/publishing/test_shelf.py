"""What is due at the broker: by acknowledgement, change and period."""

from __future__ import annotations

from poller.model.standing import State
from poller.model.status import Health
from poller.publishing.shelf import Shelf
from poller.state import fold
from tests.publishing.world import Q07, Q08, changed, delisted, first_read, listed, reading, site

SITE = site(status_publish_s=300)
PLATE07 = f"bayroll/v1/tarn-hill/relay/{Q07}/nameplate"
STATUS07 = f"bayroll/v1/tarn-hill/relay/{Q07}/status"


def state_of(*events: object, base: State | None = None) -> State:
    base = base or State()
    return fold(base, enumerate(events, start=base.seq + 1))  # type: ignore[arg-type]


def topics(shelf: Shelf, now_s: float = 0) -> list[str]:
    return [topic for topic, _ in shelf.due(now_s)]


def deliver(shelf: Shelf, now_s: float = 0) -> None:
    for topic, body in shelf.due(now_s):
        shelf.published(topic, body, now_s)


BOTH = state_of(listed(), first_read())


def test_everything_is_due_on_a_new_connection_and_nothing_after_it() -> None:
    shelf = Shelf(SITE, {})
    shelf.bring_up(BOTH, {})
    assert topics(shelf) == [PLATE07, STATUS07]
    deliver(shelf)
    assert topics(shelf) == []
    shelf.new_connection()
    assert topics(shelf) == [PLATE07, STATUS07]


def test_what_was_not_acknowledged_stays_due() -> None:
    shelf = Shelf(SITE, {})
    shelf.bring_up(BOTH, {})
    (topic, body), _ = shelf.due(0)
    shelf.published(topic, body, 0)
    assert topics(shelf) == [STATUS07]


def test_only_the_newest_is_kept() -> None:
    shelf = Shelf(SITE, {})
    state = BOTH
    for version in ("2.0", "3.0"):
        state = state_of(changed(version), base=state)
        shelf.bring_up(state, {})
    ((_, body),) = [one for one in shelf.due(0) if one[0] == PLATE07]
    assert b'"swRev":"3.0"' in body.payload


def test_a_body_acknowledged_after_it_was_overtaken_leaves_the_newer_one_due() -> None:
    shelf = Shelf(SITE, {})
    shelf.bring_up(BOTH, {})
    on_its_way = dict(shelf.due(0))
    shelf.bring_up(state_of(changed("2.0"), base=BOTH), {})
    for topic, body in on_its_way.items():
        shelf.published(topic, body, 0)
    assert topics(shelf) == [PLATE07]


def test_status_is_due_again_after_its_period_and_the_nameplate_is_not() -> None:
    shelf = Shelf(SITE, {})
    shelf.bring_up(BOTH, {})
    deliver(shelf, now_s=1_000)
    assert topics(shelf, now_s=1_299.9) == []
    assert topics(shelf, now_s=1_300) == [STATUS07]


def test_a_live_value_alone_makes_status_due() -> None:
    shelf = Shelf(SITE, {})
    shelf.bring_up(BOTH, {Q07: reading()})
    deliver(shelf)
    shelf.bring_up(BOTH, {Q07: reading(health=Health.ALARM)})
    assert topics(shelf) == [STATUS07]


def test_nothing_is_cleared_before_it_is_known_what_stands() -> None:
    shelf = Shelf(SITE, {PLATE07: "x", "bayroll/v1/old-name/poller": "y"})
    assert shelf.to_clear() == []
    shelf.bring_up(BOTH, {})
    assert shelf.to_clear() == ["bayroll/v1/old-name/poller"]


def test_a_relay_no_longer_listed_is_cleared_until_that_is_acknowledged() -> None:
    shelf = Shelf(SITE, {})
    shelf.bring_up(state_of(listed(Q08), base=BOTH), {})
    shelf.bring_up(state_of(listed(Q08), delisted(), base=BOTH), {})
    assert shelf.to_clear() == [PLATE07, STATUS07]
    assert not any(Q07 in topic for topic in topics(shelf))
    shelf.cleared(PLATE07)
    assert shelf.to_clear() == [STATUS07]


def test_a_relay_listed_again_is_shown_again() -> None:
    shelf = Shelf(SITE, {})
    gone = state_of(delisted(), base=BOTH)
    shelf.bring_up(gone, {})
    for topic in shelf.to_clear():
        shelf.cleared(topic)
    shelf.bring_up(state_of(listed(), base=gone), {})
    assert shelf.to_clear() == []
    assert topics(shelf) == [PLATE07, STATUS07]


def test_a_relay_listed_again_before_the_clear_went_out_is_not_cleared() -> None:
    shelf = Shelf(SITE, {})
    gone = state_of(delisted(), base=BOTH)
    shelf.bring_up(gone, {})
    shelf.bring_up(state_of(listed(), base=gone), {})
    assert shelf.to_clear() == []


def test_what_is_about_to_be_published_is_noted_once() -> None:
    shelf = Shelf(SITE, {})
    shelf.bring_up(BOTH, {})
    due = shelf.due(0)
    notes = shelf.to_note(due)
    assert notes == {topic: body.digest for topic, body in due}
    shelf.noted(notes)
    assert shelf.to_note(due) == {}
