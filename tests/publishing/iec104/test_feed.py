"""From the journal to groups: where each begins, what is read again, what can't be any more."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from poller.alarms.points import assigned
from poller.model import events as ev
from poller.model import limits
from poller.model.alarms import AlarmState
from poller.publishing.iec104.clients import Clients
from poller.publishing.iec104.feed import Feed
from poller.publishing.iec104.group import Group
from tests.publishing.world import Q07, T0, House, alarmed, event, listed, seen, site

SITE = site(outputs={"iec104": {}})
OVERFLOW = 1
UP = alarmed(AlarmState.UNACKNOWLEDGED)
DOWN = alarmed(AlarmState.NORMAL)
DOWN = replace(DOWN, body=replace(DOWN.body, before=AlarmState.UNACKNOWLEDGED))


class There:
    """A connection that takes what is sent when a test says so."""

    class link:  # noqa: N801 - as Connection has it
        started = True

    def flush(self) -> None:
        pass


@pytest.fixture
async def house() -> House:
    one = House()
    await one.commit(listed())
    for subject, body in assigned(one.durable.state.points, SITE):
        await one.commit(event(body, subject))
    await one.commit(event(ev.RelayAnswering(silent_since=None)))
    return one


def groups(*names: str) -> list[Clients]:
    return [Clients(group=Group(name, OVERFLOW), networks=()) for name in names]


async def fed(house: House, clients: list[Clients]) -> Feed:
    """A feed that has begun with how things stand, as after a start."""
    feed = Feed(house.context(SITE, name="iec104"), 1_000, clients)
    await feed.begin(house.durable.state)
    return feed


async def take(feed: Feed, house: House, after: int) -> None:
    await feed.take(house.journal.read(after), house.durable.state)


def sent(one: Clients) -> list[tuple[int, int]]:
    """(address, value) of all that goes out now, and is confirmed."""
    out: list[tuple[int, int]] = []
    while (change := one.group.next()) is not None:
        out += [(address, point & 1) for address, point in change.objects]
        one.group.confirmed(T0, kept=True)
    return out


async def test_a_new_group_begins_with_what_is_to_come(house: House) -> None:
    await house.commit(UP)
    (one,) = groups("main")
    feed = await fed(house, [one])
    await take(feed, house, 0)
    assert sent(one) == []
    assert feed.position == house.durable.state.seq


async def test_it_begins_there_also_where_nothing_was_confirmed_since(house: House) -> None:
    """What happened between the first start and the second is not before its time."""
    before = house.durable.state.seq
    await fed(house, groups("main"))
    await house.commit(UP)
    (one,) = groups("main")
    feed = await fed(house, [one])
    await take(feed, house, before)
    assert [value for _, value in sent(one)] == [1]


async def test_each_goes_on_where_it_was(house: House) -> None:
    fast, slow = groups("fast", "slow")
    feed = await fed(house, [fast, slow])
    await house.commit(UP, DOWN)
    await take(feed, house, house.durable.state.seq - 2)
    assert len(sent(fast)) == 2
    await feed.note()
    await house.commit(seen(1))  # notes are written with a commit
    fast, slow = groups("fast", "slow")
    feed = await fed(house, [fast, slow])
    await take(feed, house, house.durable.state.seq - 1)
    assert [value for _, value in sent(slow)] == [1, 0], "read again"
    assert sent(fast) == []


async def test_a_group_that_comes_back_into_the_file_is_a_new_one(house: House) -> None:
    await fed(house, groups("main", "other"))
    await fed(house, groups("main"))
    await house.commit(UP)
    main, other = groups("main", "other")
    feed = await fed(house, [main, other])
    await take(feed, house, house.durable.state.seq - 1)
    assert (len(sent(main)), len(sent(other))) == (1, 0)


async def test_what_the_journal_no_longer_holds_is_told_to_be_lost(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    (one,) = groups("main")
    feed = await fed(house, [one])
    for _ in range(3):
        await house.commit(UP, DOWN)
    read, before = house.journal.read, house.durable.state.seq - 2
    monkeypatch.setattr(
        house.journal, "read", lambda after, most=500: read(max(after, before), most)
    )
    await take(feed, house, before + 1)
    assert [told for told in sent(one) if told[0] == OVERFLOW] == [(OVERFLOW, 1), (OVERFLOW, 0)]
    assert feed.position == house.durable.state.seq


async def test_what_lies_too_far_back_is_told_to_be_lost(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(limits, "IEC104_BEHIND_MAX", 3)
    (one,) = groups("main")
    feed = await fed(house, [one])
    for _ in range(5):
        await house.commit(UP, DOWN)
    await take(feed, house, house.durable.state.seq - 1)
    told = sent(one)
    assert told[0] == (OVERFLOW, 1)
    assert [value for _, value in told[1:-1]] == [1, 0, 1, 0], "three, and what was given"
    assert told[-1] == (OVERFLOW, 0)


@pytest.mark.parametrize("there", [True, False])
async def test_quality_alone_is_told_to_who_is_there(house: House, there: bool) -> None:
    (one,) = groups("main")
    here: Any = There() if there else None
    one.carrier = here
    feed = await fed(house, [one])
    silent = ev.RelaySilent(last_answer_at=T0, reason="no answer")
    await house.commit(event(silent, Q07))
    await take(feed, house, house.durable.state.seq - 1)
    assert bool(sent(one)) is there


@pytest.mark.parametrize("there", [True, False])
async def test_what_happens_meanwhile_is_taken_for_who_is_there(house: House, there: bool) -> None:
    """Where nobody is it stays in the journal."""
    (one,) = groups("main")
    here: Any = There() if there else None
    one.carrier = here
    feed = await fed(house, [one])
    await house.commit(UP)
    feed.take_ahead()
    assert bool(sent(one)) is there


async def test_who_is_slow_is_given_no_more_than_a_batch_ahead(house: House) -> None:
    (one,) = groups("main")
    here: Any = There()
    one.carrier = here
    feed = await fed(house, [one])
    await house.commit(*((UP, DOWN)[on % 2] for on in range(3_000)))
    for _ in range(10):
        feed.take_ahead()
    assert limits.OUTPUT_BATCH_MAX <= one.group.waiting < 2 * limits.OUTPUT_BATCH_MAX
