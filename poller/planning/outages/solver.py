"""A plan by OR-Tools CP-SAT (extra `plan`): proven the best, or as good as it got and the bound.

The same question gives the same plan: the search ends by the solver's own measure of work, and its
two workers take turns. A clock ends it only where a machine is far slower than that.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from importlib.util import find_spec
from typing import Final, TypeAlias

from poller.planning.outages.draft import Draft
from poller.planning.outages.greedy import Where, fill
from poller.planning.outages.question import Question

Tell: TypeAlias = Callable[[float, float], None]
"""Of progress: the cost of the best plan so far, and the bound below which there is none."""
WORK_MAX: Final = 10.0  # in the solver's own measure: less than a minute of two slow cores
CLOCK_MAX_S: Final = 300.0
SEED: Final = 1
WORKERS: Final = 2
BOUNDS: Final = ("max_lp_sym",)  # of all its searches the one whose bound rises soonest here


@dataclass(frozen=True, slots=True, kw_only=True)
class Solved:
    """where: of each step its place. bound: no plan costs less. optimal: nor does any than where.

    stopped: by the clock or a person, so that the next run may give another plan.
    """

    where: Where
    cost: int
    bound: int
    optimal: bool
    stopped: bool


def installed() -> bool:
    return find_spec("ortools") is not None


def solve(
    question: Question, hint: Where, tell: Tell = lambda *_: None, work: float = WORK_MAX
) -> Solved:
    """Never worse than hint, which must keep every rule. ImportError without the extra."""
    from ortools.sat.python import cp_model  # noqa: PLC0415 - an extra, and a second to import

    from poller.planning.outages.rows import Rows  # noqa: PLC0415 - it needs the extra too

    rows = Rows(question, hint)
    solver = cp_model.CpSolver()
    parameters = solver.parameters
    parameters.random_seed = SEED
    parameters.num_workers = WORKERS
    parameters.interleave_search = True
    parameters.subsolvers.extend(BOUNDS)
    parameters.max_deterministic_time = work
    parameters.max_time_in_seconds = CLOCK_MAX_S
    known = question.cost(hint)
    so_far = float(known)

    class Progress(cp_model.CpSolverSolutionCallback):
        def on_solution_callback(self) -> None:
            nonlocal so_far
            so_far = self.objective_value
            tell(so_far, self.best_objective_bound)

    solver.best_bound_callback = lambda bound: tell(so_far, bound)
    status = solver.solve(rows.model, Progress())
    bound = round(max(0.0, solver.best_objective_bound))  # there may be none yet
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return Solved(where=hint, cost=known, bound=bound, optimal=False, stopped=True)
    found = Draft(question, rows.where(solver))
    fill(found, range(len(question.units)))  # a search that was cut short may have left room
    best = min(tuple(found.where), hint, key=question.cost)
    cost = question.cost(best)
    return Solved(
        where=best,
        cost=cost,
        bound=min(bound, cost),
        optimal=cost <= bound,
        stopped=status != cp_model.OPTIMAL and solver.response_proto.deterministic_time < work,
    )
