"""The table of moves: every pair decided once, people's moves refused with why, no way back."""

from __future__ import annotations

import itertools
from datetime import UTC, datetime

import pytest

from poller.model.refusal import Refusal
from poller.model.work import ENDED, Plan, Work, WorkKind, WorkState
from poller.work.planned_work import PEOPLE, REFUSED, STAYS, STEP, Move, moved

T0 = datetime(2026, 3, 1, tzinfo=UTC)
PLAN = Plan(
    relay="q07-main1",
    kind=WorkKind.UPDATE,
    expects={"swRev": "V2.11"},
    before={"swRev": "V2.10"},
    start=T0,
    end=T0,
    zone="UTC",
)
PAIRS = list(itertools.product(WorkState, Move))

PATHS = """
planned cleared ready started under_way ended waiting_for_relay reread checking proven verified
planned started under_way ended waiting_for_relay seen_other wrong_version started under_way
planned seen_as_planned checking took_not not_done seen_as_planned checking closed closed
planned cleared ready obstructed planned cancelled cancelled
waiting_for_relay seen_as_planned checking seen_other wrong_version took_not not_done closed closed
verified closed closed
"""
"""Ways through, state and move in turn."""


def work(state: WorkState) -> Work:
    return Work(id="w1", plan=PLAN, state=state, since=T0, by="A", entered_at=T0)


@pytest.mark.parametrize(("state", "move"), PAIRS)
def test_every_pair_is_decided_once(state: WorkState, move: Move) -> None:
    pair = state, move
    assert [pair in STEP, pair in STAYS, pair in REFUSED].count(True) == 1


def test_only_people_are_refused_and_only_observations_ignored() -> None:
    assert {move for _, move in REFUSED} == PEOPLE
    assert not {move for _, move in STAYS} & PEOPLE


def test_no_move_leads_to_where_it_began() -> None:
    assert not [pair for pair, after in STEP.items() if pair[0] == after]


def test_nothing_leads_out_of_what_has_ended() -> None:
    assert not [state for state, _ in STEP if state in ENDED]


def test_every_state_that_has_not_ended_can_be_ended_by_people_alone() -> None:
    for state in set(WorkState) - ENDED:
        reached = {state}
        while True:
            more = {to for (at, move), to in STEP.items() if at in reached and move in PEOPLE}
            if more <= reached:
                break
            reached |= more
        assert reached & ENDED, state


@pytest.mark.parametrize("path", PATHS.strip().splitlines())
def test_paths(path: str) -> None:
    words = path.split()
    state = WorkState(words[0])
    for move, after in zip(words[1::2], words[2::2], strict=True):
        state = STEP[state, Move(move)]
        assert state == after


@pytest.mark.parametrize(("state", "move"), PAIRS)
def test_moved_tells_the_move_or_nothing_or_why_not(state: WorkState, move: Move) -> None:
    if (state, move) in REFUSED:
        with pytest.raises(Refusal, match=r"^w1: "):
            moved(work(state), move, "because")
    elif (state, move) in STAYS:
        assert moved(work(state), move, "because") is None
    else:
        told = moved(work(state), move, "because")
        assert told is not None
        assert (told.before, told.after, told.why) == (state, STEP[state, move], "because")
