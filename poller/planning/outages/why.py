"""Why a unit has no place in a plan: found by trying each window, told by what stands nearest."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from poller.model import limits
from poller.planning.outages.draft import Draft
from poller.planning.outages.question import Bar, Question

NEARNESS: Final = (
    "past",
    "bay",
    "decision",
    "length",
    "crew",
    "fixed",
    "forbidden",
    "deadline",
    "planned-work",
    "versions",
    "predecessor",
    "order",
    "pilot",
    "hold",
    "partner",
    "full",
)
"""Rules in the order in which a window is tried: the later, the nearer it came."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Unplaced:
    """job: its index. step: the first that has no place. rule: what stands in its way most nearly.

    windows: what stands in the way in each window, by its index.
    """

    job: int
    step: int
    rule: str
    says: str
    windows: Mapping[int, Bar]


def unplaced(draft: Draft) -> Iterator[Unplaced]:
    """draft: of a whole plan; it is as it was when this is through."""
    question = draft.question
    for unit in question.units:
        steps = [step for job in unit.jobs for step in question.jobs[job].steps]
        if draft.where[steps[0]] is not None:
            continue
        if unit.together:
            stuck, windows = steps[0], dict(_of_line(draft, steps))
        else:
            stuck, windows = _of_way(draft, steps)
        rule, says = _told(question, windows)
        for job in unit.jobs:
            yield Unplaced(job=job, step=stuck, rule=rule, says=says, windows=windows)


def _of_way(draft: Draft, steps: Sequence[int]) -> tuple[int, dict[int, Bar]]:
    """The first step that has no place, where those before it are put as early as they go."""
    put: list[int] = []
    stuck = steps[0]
    for stuck in steps:
        place = draft.first(stuck)
        if place is None:
            break
        draft.put(stuck, place)
        put.append(stuck)
    windows = {}
    for at in range(len(draft.question.slots)):
        bar = _nearest(draft, stuck, at)
        if bar is not None:
            windows[at] = bar
    for step in put:
        draft.take(step)
    return stuck, windows


def _of_line(draft: Draft, steps: Sequence[int]) -> Iterator[tuple[int, Bar]]:
    """In each window what stands in the way of any end of the line."""
    for at in range(len(draft.question.slots)):
        put: list[int] = []
        for step in steps:
            place = draft.first(step, at)
            if place is None:
                bar = _nearest(draft, step, at)
                assert bar is not None, "else it had a place"
                relay = draft.question.steps[step].relay
                yield at, Bar(rule=bar.rule, says=f"{relay}, which goes with its line: {bar.says}")
                break
            draft.put(step, place)
            put.append(step)
        for step in put:
            draft.take(step)


def _nearest(draft: Draft, step: int, window: int) -> Bar | None:
    """Of all teams of a window, what stands nearest to having it; None: it has a place there."""
    bars = [draft.bar(step, (window, team)) for team in range(draft.question.slots[window].teams)]
    return None if None in bars else max(filter(None, bars), key=_nearness)


def _nearness(bar: Bar) -> int:
    return NEARNESS.index(bar.rule)


def _told(question: Question, windows: Mapping[int, Bar]) -> tuple[str, str]:
    """The nearest rule, and a clause that names the windows; those that came furthest first."""
    if not windows:
        return "full", "the search ended before it found a place for it"
    nearest = max(windows.values(), key=_nearness)
    if all(bar.rule == "bay" for bar in windows.values()):
        return nearest.rule, f"no window is for it: {nearest.says}"
    names: dict[str, list[str]] = {}
    for at, bar in sorted(windows.items(), key=lambda one: (-_nearness(one[1]), one[0])):
        if bar.rule not in ("bay", "past"):
            names.setdefault(bar.says, []).append(question.slots[at].id)
    told = [f"{_some(ids)}: {says}" for says, ids in names.items()] or [nearest.says]
    most = limits.SENTENCE_CHANGES_MAX
    more = [f"and {len(told) - most} more reasons"] if len(told) > most else []
    return nearest.rule, "; ".join([*told[:most], *more])


def _some(ids: Sequence[str]) -> str:
    most = limits.OUTAGE_TOLD_MAX
    more = f" and {len(ids) - most} more" if len(ids) > most else ""
    return ", ".join(ids[:most]) + more
