"""Plans worked out by hand, the arithmetic beside each. Windows of five hours at eight o'clock."""

from __future__ import annotations

from datetime import timedelta

import pytest

from poller.planning.outages.draft import Draft
from poller.planning.outages.greedy import Where, greedy
from poller.planning.outages.question import Question
from poller.planning.outages.solver import solve
from poller.planning.outages.why import unplaced
from tests.planning.outages.drawn import NOW, question, slot

DAY = timedelta(days=1)


def days(asked: Question, where: Where) -> list[int | None]:
    """Of each step the day of its window."""
    return [None if at is None else asked.slots[at[0]].days - 1 for at in where]


def best(asked: Question) -> list[int | None]:
    return days(asked, solve(asked, greedy(asked)).where)


HELD = question([slot(0), slot(20), slot(40)], [{"family": "f"}, {"family": "f"}])
LINE = question(
    [slot(0, minutes=150), slot(10)], [{"minutes": [100]}, {"minutes": [100]}], together=(0, 1)
)
PLANS: list[tuple[str, Question, list[int | None], int]] = [
    # the second of a family waits 30 days: day 0 + 30 is before day 40, and after day 20
    ("hold", HELD, [0, 40], 1 + 41),
    # one of weight 9 and one of 1 want the same 100 of 150 minutes: 9*1 + 1*11 < 1*1 + 9*11
    (
        "weight",
        question([slot(0, minutes=150), slot(10)], [{"weight": 1}, {"weight": 9}]),
        [10, 0],
        9 * 1 + 1 * 11,
    ),
    # a heavy one of 300 minutes would keep out two light ones: 10*11 + 2*6*1 < 10*1 + 2*6*11
    (
        "two light before one heavy",
        question(
            [slot(0), slot(10)],
            [{"weight": 10, "minutes": [300]}, {"weight": 6}, {"weight": 6}],
        ),
        [10, 0, 0],
        10 * 11 + 2 * 6 * 1,
    ),
    # 24 h between five hours on day 0 and those on day 1 are 19 h: not enough; day 2 is
    (
        "soak",
        question([slot(0), slot(1), slot(2)], [{}, {}], pairs=((0, 1, 24),)),
        [0, 2],
        1 + 3,
    ),
    # both may share the outage of their bay where the file says so
    (
        "both when the bay is out",
        question([slot(0), slot(1)], [{}, {}], pairs=((0, 1, 24),), shared=True),
        [0, 0],
        1 + 1,
    ),
    # two steps of 200 minutes do not fit into 300; the second follows in the next window
    ("way", question([slot(0), slot(5)], [{"minutes": [200, 200]}]), [0, 5], 6),
    # both ends of a line take 200 minutes: not the 150 of day 0
    ("line", LINE, [10, 10], 11 + 11),
    # the named one is the pilot, though the other could be done first
    (
        "named pilot",
        question(
            [slot(0), slot(5), slot(40)],
            [{"family": "f"}, {"family": "f", "barred": [0]}],
            named={"f": "r1"},
        ),
        [40, 5],
        41 + 6,
    ),
    # a pilot that was there before ends its hold on day 3
    (
        "pilot before this plan",
        question(
            [slot(0), slot(5)],
            [{"family": "f"}, {"family": "f"}],
            free_from={"f": NOW + 3 * DAY},
        ),
        [5, 5],
        6 + 6,
    ),
    # two teams do at once what one could not: 200 of 300 minutes each
    (
        "teams",
        question([slot(0, teams=2), slot(5)], [{"minutes": [200]}, {"minutes": [200]}]),
        [0, 0],
        1 + 1,
    ),
]


@pytest.mark.parametrize(
    ("asked", "expected"), [row[1:3] for row in PLANS], ids=[row[0] for row in PLANS]
)
def test_the_best_plan_is_the_one_by_hand(asked: Question, expected: list[int | None]) -> None:
    assert best(asked) == expected


@pytest.mark.parametrize(
    ("asked", "cost"), [(row[1], row[3]) for row in PLANS], ids=[row[0] for row in PLANS]
)
def test_it_is_proven_at_the_cost_by_hand(asked: Question, cost: int) -> None:
    found = solve(asked, greedy(asked))
    assert (found.cost, found.bound, found.optimal) == (cost, cost, True)


def test_the_greedy_plan_may_be_worse_than_the_best() -> None:
    """It puts 6 and 5 of weight into the 300 minutes of day 0 first, each 160 minutes: one fits."""
    asked = question(
        [slot(0), slot(10)],
        [{"weight": 6, "minutes": [160]}, {"weight": 5, "minutes": [150]},
         {"weight": 5, "minutes": [150]}],
    )  # fmt: skip
    assert (asked.cost(greedy(asked)), best(asked)) == (6 * 1 + 5 * 11 + 5 * 11, [10, 0, 0])


def test_the_same_question_gives_the_same_plan() -> None:
    asked = question(
        [slot(day) for day in range(8)],
        [{"family": "f", "weight": 1 + at % 3} for at in range(12)],
        hold_days=2,
    )
    assert solve(asked, greedy(asked)) == solve(asked, greedy(asked))


WHY = [
    ("bay", question([slot(0)], [{"barred": [0]}]), "bay"),
    ("hold", question([slot(0), slot(20)], [{"family": "f"}, {"family": "f"}]), "hold"),
    ("partner", question([slot(0)], [{}, {}], pairs=((0, 1, 24),)), "partner"),
    ("full", question([slot(0, minutes=150)], [{}, {}]), "full"),
    ("order", question([slot(0)], [{"minutes": [200, 200]}]), "full"),
    (
        "predecessor",
        question([slot(0), slot(5)], [{"relay": "a", "barred": [0, 1]}, {"relay": "a"}]),
        "predecessor",
    ),
    (
        "pilot",
        question(
            [slot(0)], [{"family": "f", "barred": [0]}, {"family": "f"}], named={"f": "r0"}
        ),
        "pilot",
    ),
    ("line", question([slot(0)], [{}, {"barred": [0]}], together=(0, 1)), "bay"),
]  # fmt: skip


@pytest.mark.parametrize(("asked", "rule"), [row[1:] for row in WHY], ids=[row[0] for row in WHY])
def test_what_has_no_place_is_told_with_what_stands_in_its_way(asked: Question, rule: str) -> None:
    told = list(unplaced(Draft(asked, solve(asked, greedy(asked)).where)))
    assert told[-1].rule == rule


def test_the_windows_are_named_that_came_nearest() -> None:
    asked = question([slot(0), slot(20)], [{"family": "f"}, {"family": "f"}])
    (one,) = unplaced(Draft(asked, greedy(asked)))
    assert one.says == "o0, o20: r0, the pilot of f, is held until 2027-01-31"
