"""1,000 steps and 200 outages of a year, drawn by a seed: how good a plan is, and how soon."""

from __future__ import annotations

import random
import sys
import time
from typing import Any

from poller.planning.outages.greedy import greedy
from poller.planning.outages.improve import improve
from poller.planning.outages.question import Question
from poller.planning.outages.solver import solve
from tests.benchmarks.report import Report, Wanted
from tests.planning.outages.drawn import question, slot

FAMILIES = 8
TOLD_EVERY_S = 5
BAY = 4  # relays: main 1, main 2, control, one more


def drawn(steps: int, windows: int, teams: int, seed: int) -> Question:
    """Every bay is out six times a year, for eight hours; two steps where a way has one between."""
    chance = random.Random(seed)
    slots = [
        slot(day, minutes=480, teams=teams)
        for day in sorted(chance.sample(range(7, 365), k=min(windows, 358)))
    ]
    jobs: list[dict[str, Any]] = []
    count = 0
    open_to: set[int] = set()
    while count < steps:
        if len(jobs) % BAY == 0:
            open_to = set(chance.sample(range(len(slots)), k=6))
        way = [chance.choice([85, 95, 105, 130]) for _ in range(1 + (chance.random() < 0.2))]
        count += len(way)
        jobs.append(
            {
                "family": f"f{len(jobs) * 7 % FAMILIES}",
                "weight": chance.choice([5, 5, 5, 10, 20, 30, 100]),
                "minutes": way,
                "barred": set(range(len(slots))) - open_to,
            }
        )
    pairs = tuple((at, at + 1, 24) for at in range(0, len(jobs) - 1, BAY))
    return question(slots, jobs, pairs=pairs)


def measure(steps: int, windows: int, teams: int, seed: int) -> Report:
    asked = drawn(steps, windows, teams, seed)
    report = Report(
        title=f"{len(asked.steps)} steps, {len(asked.slots)} windows, {teams} teams, seed {seed}",
        columns=("plan", "after", "risk-weighted days", "above the bound"),
        wanted={"gap_percent": Wanted(bound=5), "seconds": Wanted(bound=60)},
    )
    started = time.monotonic()

    def told(name: str, cost: float, bound: float | None = None) -> None:
        gap = "" if bound is None else f"{100 * (1 - bound / cost):.1f} %"
        row = (name, f"{time.monotonic() - started:.1f} s", f"{cost:,.0f}", gap)
        report.rows.append(row)
        print("...", *row, file=sys.stderr)

    first = greedy(asked)
    told("greedily", asked.cost(first))
    better = improve(asked, first)
    told("made better", asked.cost(better))
    last = started

    def tell(cost: float, bound: float) -> None:
        nonlocal last
        if bound > 0 and time.monotonic() - last > TOLD_EVERY_S:
            last = time.monotonic()
            told("solver", cost, bound)

    found = solve(asked, better, tell)
    told("proven the best" if found.optimal else "solver, at its end", found.cost, found.bound)
    report.ratios["gap_percent"] = 100 * (1 - found.bound / found.cost)
    report.ratios["seconds"] = time.monotonic() - started
    return report
