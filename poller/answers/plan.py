"""A plan of outages as a person, a spreadsheet or a program reads it.

Text of devices and people stands in it as model.text.shown gives it; times are of the outages
file's zone.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

from poller.answers.words import count, position
from poller.model import limits
from poller.model.attribute_words import attribute
from poller.model.standing import State
from poller.model.text import shown
from poller.planning.outages.plan import OutagePlan, Placed
from poller.planning.outages.shape import OutageFile
from poller.site.relay_columns import guarded

CAUTIONS: Final = (
    "This is a proposal. Licensed practice decides; switching orders and local codes come first.",
    "Isolate the trips of a relay before work on it, and test it before it goes back into service.",
    "Where a bay stays in service, confirm at the relay itself that the one that stands in trips.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class StepRow:
    """A step and its place. start, end: 2027-01-12 08:00, local. pilot: first of its family."""

    window: str
    reference: str | None
    start: str
    end: str
    zone: str
    bay: str
    relay: str
    position: str
    family: str
    firmware: str
    version_from: str
    version_to: str
    direction: str
    minutes: int
    team: int
    pilot: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldRow:
    """After a pilot, nothing else of its family; stop: what ends the whole if it happens."""

    family: str
    relay: str
    position: str
    since: str
    until: str
    stop: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class UnplacedRow:
    """rule: stable. says: what stands in the way, in which windows. version_to: None: no step."""

    relay: str
    position: str
    version_to: str | None
    rule: str
    says: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanSums:
    """days: until done, each times what a day of waiting counts; greedy: of the plan without a
    solver; bound: no plan has less, None: not known. optimal: nor has any less than this one.
    without_step: relays that are due and have none to place: no way there, or planned already."""

    steps: int
    without_step: int
    placed: int
    windows: int
    windows_used: int
    days: int
    greedy: int
    bound: int | None
    optimal: bool
    stopped: bool
    says: str


def step_rows(made: OutagePlan, outages: OutageFile, state: State) -> tuple[StepRow, ...]:
    windows = {window.id: window for window in outages.windows}
    found = []
    for one in made.placed:
        step, slot = made.question.steps[one.step], made.question.slots[one.window]
        job = made.question.jobs[step.job]
        reference = windows[slot.id].reference
        found.append(
            StepRow(
                window=slot.id,
                reference=None if reference is None else shown(reference),
                start=local(one.start, outages),
                end=local(one.end, outages),
                zone=outages.zone,
                bay=shown(job.bay),
                relay=step.relay,
                position=position(step.relay, state),
                family=job.family,
                firmware=attribute(job.attribute),
                version_from=shown(step.version_from, limits.SENTENCE_TEXT_MAX),
                version_to=shown(step.to, limits.SENTENCE_TEXT_MAX),
                direction=step.direction,
                minutes=step.minutes,
                team=one.team + 1,
                pilot=one.pilot,
            )
        )
    return tuple(found)


def hold_rows(made: OutagePlan, outages: OutageFile, state: State) -> tuple[HoldRow, ...]:
    return tuple(
        HoldRow(
            family=hold.family,
            relay=made.question.steps[hold.step].relay,
            position=position(made.question.steps[hold.step].relay, state),
            since=local(hold.since, outages),
            until=local(hold.until, outages),
            stop=tuple(shown(words, limits.REASON_MAX) for words in outages.pilot.stop),
        )
        for hold in made.holds
    )


def unplaced_rows(made: OutagePlan, state: State) -> tuple[UnplacedRow, ...]:
    rows = [
        UnplacedRow(
            relay=made.question.jobs[one.job].relay,
            position=position(made.question.jobs[one.job].relay, state),
            version_to=shown(made.question.steps[one.step].to, limits.SENTENCE_TEXT_MAX),
            rule=one.rule,
            says=shown(one.says, limits.SENTENCE_MAX),
        )
        for one in made.unplaced
    ]
    rows += [
        UnplacedRow(
            relay=one.relay,
            position=position(one.relay, state),
            version_to=None,
            rule=one.bar.rule,
            says=shown(one.bar.says, limits.SENTENCE_MAX),
        )
        for one in made.left_out
    ]
    return tuple(rows)


def sums(made: OutagePlan) -> PlanSums:
    used = {one.window for one in made.placed}
    return PlanSums(
        steps=len(made.question.steps),
        without_step=len({one.relay for one in made.left_out}),
        placed=len(made.placed),
        windows=len(made.question.slots),
        windows_used=len(used),
        days=made.cost,
        greedy=made.greedy,
        bound=made.bound,
        optimal=made.optimal,
        stopped=made.stopped,
        says=_says(made),
    )


def _says(made: OutagePlan) -> str:
    told = f"{made.cost:,} weighted days until done"
    if made.bound is None:
        return f"{told}; made without a solver: how much better a plan could be is not known"
    than = f" (greedily {made.greedy:,})" if made.greedy > made.cost else ""
    if made.optimal:
        return f"{told}{than}; proven: no plan has less"
    gap = 100 * (made.cost - made.bound) / max(1, made.cost)
    stopped = "; the search was stopped, and another may end elsewhere" if made.stopped else ""
    return (
        f"{told}{than}; not proven the best: no plan has less than {made.bound:,}, "
        f"{gap:.1f} % below{stopped}"
    )


def local(at: datetime, outages: OutageFile) -> str:
    """2027-01-12 08:00, in the file's zone."""
    return f"{at.astimezone(ZoneInfo(outages.zone)):%Y-%m-%d %H:%M}"


HEAD: Final = (
    "window",
    "reference",
    "start",
    "end",
    "zone",
    "bay",
    "relay",
    "position",
    "family",
    "firmware",
    "from",
    "to",
    "direction",
    "minutes",
    "team",
    "pilot",
    "not placed: rule",
    "not placed: why",
)


def plan_csv(steps: Iterable[StepRow], unplaced: Iterable[UnplacedRow]) -> bytes:
    """RFC 4180, UTF-8 with a byte order mark; what could be a formula has an apostrophe before."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(HEAD)
    for cells in _lines(steps, unplaced):
        writer.writerow([guarded(str(cell)) for cell in cells])
    return text.getvalue().encode("utf-8-sig")


def _lines(
    steps: Iterable[StepRow], unplaced: Iterable[UnplacedRow]
) -> Iterator[tuple[str | int, ...]]:
    for row in steps:
        yield (
            row.window,
            row.reference or "",
            row.start,
            row.end,
            row.zone,
            row.bay,
            row.relay,
            row.position,
            row.family,
            row.firmware,
            row.version_from,
            row.version_to,
            row.direction,
            row.minutes,
            row.team,
            "pilot" if row.pilot else "",
            "",
            "",
        )
    for one in unplaced:
        empty = ("",) * 4
        yield (
            *("",) * 6,
            one.relay,
            one.position,
            "",
            "",
            "",
            one.version_to or "",
            *empty,
            one.rule,
            one.says,
        )


def placed_in(made: OutagePlan, window: int) -> list[Placed]:
    return [one for one in made.placed if one.window == window]


def counted(made: PlanSums) -> str:
    """12 of 14 steps in 5 of 8 windows, beside 2 relays without a step to place."""
    steps = count(made.steps, "step", "steps")
    windows = count(made.windows, "window", "windows")
    told = f"{made.placed:,} of {steps} in {made.windows_used:,} of {windows}"
    if not made.without_step:
        return told
    relays = count(made.without_step, "relay", "relays")
    return f"{told}, beside {relays} without a step to place"
