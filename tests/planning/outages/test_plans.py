"""Every plan keeps every rule, and the solver's is the best there is: all plans tried beside it."""

from __future__ import annotations

import pytest
from hypothesis import given, settings

from poller.planning.outages.greedy import greedy
from poller.planning.outages.improve import improve
from poller.planning.outages.question import Question
from poller.planning.outages.solver import solve
from tests.benchmarks.plan import drawn
from tests.planning.outages.drawn import questions
from tests.planning.outages.rules import cheapest, faults


@given(questions(steps_max=8))
def test_a_greedy_plan_keeps_every_rule(asked: Question) -> None:
    assert list(faults(asked, greedy(asked))) == []


@given(questions(steps_max=8))
def test_a_plan_that_is_made_better_keeps_every_rule(asked: Question) -> None:
    assert list(faults(asked, improve(asked, greedy(asked)))) == []


@given(questions(steps_max=8))
def test_it_is_never_made_worse(asked: Question) -> None:
    first = greedy(asked)
    assert asked.cost(improve(asked, first)) <= asked.cost(first)


@settings(max_examples=60, deadline=None)
@given(questions(steps_max=8))
def test_the_solvers_plan_keeps_every_rule(asked: Question) -> None:
    assert list(faults(asked, solve(asked, greedy(asked)).where)) == []


@settings(max_examples=60, deadline=None)
@given(questions(steps_max=8))
def test_the_solvers_plan_is_never_worse_than_the_greedy_one(asked: Question) -> None:
    first = greedy(asked)
    assert solve(asked, first).cost <= asked.cost(first)


@settings(max_examples=60, deadline=None)
@given(questions())
def test_the_solver_finds_what_trying_every_plan_finds(asked: Question) -> None:
    found = solve(asked, greedy(asked))
    assert (found.optimal, found.cost, found.bound) == (True, *(cheapest(asked),) * 2)


@pytest.mark.parametrize("work", [1e-9, 0.05])
def test_a_search_that_is_cut_short_claims_no_more_than_it_has(work: float) -> None:
    asked = drawn(60, 20, 1, seed=1)
    first = greedy(asked)
    found = solve(asked, first, work=work)
    assert not found.optimal
    assert found.bound < found.cost <= asked.cost(first)
    assert list(faults(asked, found.where)) == []
