"""What happened, as entries, and a choice among them."""

from __future__ import annotations

from typing import Any

import pytest

from poller.answers.history import Entry, Wanted, entries, entry
from poller.decide import Started, Stopping, decide
from poller.model import events as ev
from poller.model.canonical import plain
from poller.model.events import Change, ChangeClass, Order
from poller.model.standing import State
from tests.answers.sites import site
from tests.answers.world import NOW, PRESENT, STATE, ago, event, recorded

CHANGED = ev.NameplateChanged(
    change=ChangeClass.UNPLANNED,
    changes=(
        Change(
            attribute="swRev",
            before="V2.10.00",
            after="V2.11.00",
            change=ChangeClass.UNPLANNED,
            order=Order.NEWER,
        ),
    ),
    nameplate=PRESENT,
    map="tarn",
    last_old_at=None,
    first_new_at=NOW,
)
EVENTS = [
    recorded(1, event(ev.ServiceStarted(version="0.1.0"), subject="", at=ago(hours=3))),
    recorded(2, event(ev.RelayAnswering(silent_since=None), at=ago(hours=2))),
    recorded(3, event(CHANGED, at=ago(hours=1))),
    recorded(4, event(ev.RelayPaused(why="test"), "q10-main1", by="Ute", cause="c-1")),
    recorded(5, event(ev.OutputGap(output="mqtt", first_seq=1, last_seq=2), "mqtt")),
]


def test_a_change_as_an_entry() -> None:
    assert entry(EVENTS[2], STATE) == Entry(
        seq=3,
        id="journal-3",
        at="2026-03-01T11:00:00.000Z",
        kind="nameplate_changed",
        subject="q07-main1",
        position="Q07 main 1",
        sentence="Q07 main 1: firmware changed from V2.10.00 to V2.11.00 (newer), and nobody "
        "planned it.",
        by=None,
        cause=None,
        change=ChangeClass.UNPLANNED,
    )


INPUTS = [
    ([], False),
    ([Started(version="1"), Stopping(reason="stopped")], False),
    ([Started(version="1")], True),
]


@pytest.mark.parametrize(("before", "unstopped"), INPUTS)
def test_a_start_tells_that_the_run_before_it_had_no_stop(
    before: list[Started | Stopping], unstopped: bool
) -> None:
    state = State()
    for given in before:
        state = decide(state, site(), given, NOW).after
    first = decide(state, site(), Started(version="1"), NOW).events[0].body
    assert first == ev.ServiceStarted(version="1", unstopped=unstopped)


def test_what_a_person_did_says_who_and_by_which_command() -> None:
    told = entry(EVENTS[3], STATE)
    assert (told.by, told.cause, told.change) == ("Ute", "c-1", None)


@pytest.mark.parametrize("at", [0, 4])
def test_what_is_not_about_a_relay_has_no_position(at: int) -> None:
    assert entry(EVENTS[at], STATE).position is None


def test_an_entry_is_plain_json() -> None:
    assert plain(entry(EVENTS[2], STATE))["change"] == "unplanned"


@pytest.mark.parametrize(
    ("asked", "found"),
    [
        ({}, [1, 2, 3, 4, 5]),
        ({"subjects": ["q07-main1"]}, [2, 3]),
        ({"subjects": [""]}, [1]),
        ({"kinds": ["relay_paused", "output_gap"]}, [4, 5]),
        ({"without_kinds": ["relay_answering", "output_gap"]}, [1, 3, 4]),
        ({"changes": [ChangeClass.UNPLANNED, ChangeClass.REPLACED]}, [3]),
        ({"changes": [ChangeClass.REPLACED]}, []),
        ({"since": ago(hours=2)}, [2, 3, 4, 5]),  # included
        ({"until": ago(hours=2)}, [1]),  # not included
        ({"since": ago(hours=2), "until": ago(minutes=30)}, [2, 3]),
        ({"by": "Ute"}, [4]),
        ({"subjects": ["q07-main1"], "kinds": ["relay_paused"]}, []),
    ],
)
def test_a_choice_of_events(asked: dict[str, Any], found: list[int]) -> None:
    assert [one.seq for one in entries(EVENTS, STATE, Wanted(**asked))] == found


def test_without_a_wish_all_of_them() -> None:
    assert [one.seq for one in entries(EVENTS, STATE)] == [1, 2, 3, 4, 5]
