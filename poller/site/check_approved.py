"""What an approved list must hold together, beyond the type of each key."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations
from typing import Final

from poller.model.events import Order
from poller.model.firmware_version import order, readable
from poller.model.problems import Problem
from poller.model.text import shown
from poller.site import check_overlap, check_packages
from poller.site.approved import (
    Approved,
    Rule,
    alike,
    is_approved,
    revision,
    same_version,
    withdrawn,
)
from poller.site.faults import Check, Fault, run
from poller.site.globs import ANY_TEXT
from poller.site.usable_rules import scheme_faults, usable
from poller.site.yaml_lines import Lined, Path

WAY: Final = {Order.NEWER: "update", Order.OLDER: "rollback"}
"""Where the end of a step stands against its start, and what such a step is called."""


def check_approved(
    one: Approved, source: Lined, file: str, cut: tuple[Path, ...] = ()
) -> list[Problem]:
    """Every fault that the checks find. source: for the lines; cut: at fault already."""
    return run(CHECKS, one, source, file, cut)


def _ids(one: Approved) -> Iterator[Fault]:
    seen: set[str] = set()
    for at, rule in enumerate(one.rules):
        if rule.id in seen:
            yield Fault(
                path=("rules", at, "id"),
                code="approved-rule-twice",
                what=f"{rule.id} is the id of another rule already",
                mend="give it an id of its own; events and messages name rules by it",
            )
        seen.add(rule.id)


def _order_codes(one: Approved) -> Iterator[Fault]:
    for at, rule in enumerate(one.rules):
        pattern = rule.match.order_code
        if pattern is not None and ANY_TEXT in pattern[:-1]:
            yield Fault(
                path=("rules", at, "match", "order_code"),
                code="approved-order-code",
                what="a * stands before the end, so the positions behind it are not fixed",
                mend="write ? for each position that may hold anything, * only at the end",
            )


def _hardware(one: Approved) -> Iterator[Fault]:
    for at, rule in enumerate(one.rules):
        wanted = rule.match.hardware
        ends = {} if wanted is None else {"from": wanted.from_, "to": wanted.to}
        told = {name: text for name, text in ends.items() if text is not None}
        for name, text in told.items():
            if revision(text) is None:
                yield Fault(
                    path=("rules", at, "match", "hardware", name),
                    code="approved-hardware",
                    what=f"{text!r} is no hardware revision",
                    mend="use letters (A to ZZ) or numbers by dots, as the relay tells them",
                )
        yield from _ends(("rules", at, "match", "hardware"), told)


def _ends(path: Path, told: dict[str, str]) -> Iterator[Fault]:
    """A range of two readable ends: of one kind, and forwards."""
    low, high = (revision(told[name]) if name in told else None for name in ("from", "to"))
    if low is None or high is None:
        return
    if not alike(low, high):
        what = f"{shown(told['from'])} to {shown(told['to'])} mixes letters and numbers"
    elif high < low:
        what = f"{shown(told['from'])} to {shown(told['to'])} ends before it begins"
    else:
        return
    mend = "write the older revision as from, the newer as to, both in letters or both in numbers"
    yield Fault(path=path, code="approved-hardware", what=what, mend=mend)


def _schemes(one: Approved) -> Iterator[Fault]:
    for at, rule in enumerate(one.rules):
        for fault in scheme_faults(rule):
            yield Fault(
                path=("rules", at, "version_scheme", "pattern"),
                code="approved-scheme-pattern",
                what=fault,
                mend="keep it short, with one named group for each name in order",
            )


def _versions(rule: Rule) -> Iterator[tuple[Path, str]]:
    """Every version that a rule names, with its path inside the rule."""
    yield ("target",), rule.target
    for at, text in enumerate(rule.approved):
        yield ("approved", at), text
    for at, gone in enumerate(rule.withdrawn):
        yield ("withdrawn", at, "version"), gone.version
    for at, step in enumerate(rule.steps):
        yield ("steps", at, "from"), step.from_
        yield ("steps", at, "to"), step.to


def _readable(one: Approved) -> Iterator[Fault]:
    for at, rule in usable(one):
        for path, text in _versions(rule):
            if not readable(text, rule.version_scheme):
                yield Fault(
                    path=("rules", at, *path),
                    code="approved-version-unreadable",
                    what=f"{text!r} can't be read under {rule.version_scheme.kind}",
                    mend="spell it as the relay does, or choose the scheme that fits",
                )


def _comparable(one: Approved) -> Iterator[Fault]:
    for at, rule in usable(one):
        for number, text in enumerate(rule.approved):
            both = all(readable(each, rule.version_scheme) for each in (text, rule.target))
            if both and order(text, rule.target, rule.version_scheme) is Order.NOT_COMPARABLE:
                yield Fault(
                    path=("rules", at, "approved", number),
                    code="approved-not-comparable",
                    what=f"{shown(text)} and the target {shown(rule.target)} have no order",
                    mend="keep versions of one spelling in a rule, or choose the scheme that fits",
                )


def _target(one: Approved) -> Iterator[Fault]:
    for at, rule in usable(one):
        if not is_approved(rule, rule.target) and withdrawn(rule, rule.target) is None:
            yield Fault(
                path=("rules", at, "target"),
                code="approved-target",
                what=f"the target {shown(rule.target)} is not among the approved versions",
                mend="add it to approved, or choose one of those that are there",
            )


def _withdrawn(one: Approved) -> Iterator[Fault]:
    for at, rule in usable(one):
        named = [(("target",), rule.target)] if not is_approved(rule, rule.target) else []
        approved = [(("approved", number), text) for number, text in enumerate(rule.approved)]
        for path, text in (*named, *approved):
            gone = withdrawn(rule, text)
            if gone is not None:
                yield Fault(
                    path=("rules", at, *path),
                    code="approved-withdrawn",
                    what=f"{shown(text)} was withdrawn on {gone.on}",
                    mend="take it out here, or out of withdrawn",
                )


def _twice(one: Approved) -> Iterator[Fault]:
    for at, rule in usable(one):
        gone = tuple(entry.version for entry in rule.withdrawn)
        for section, texts in (("approved", rule.approved), ("withdrawn", gone)):
            for number, text in enumerate(texts):
                if any(same_version(rule, text, before) for before in texts[:number]):
                    yield Fault(
                        path=("rules", at, section, number),
                        code="approved-version-twice",
                        what=f"{shown(text)} stands in {section} already",
                        mend="keep one of them",
                    )


def _steps_lead(one: Approved) -> Iterator[Fault]:
    for at, rule in usable(one):
        for number, step in enumerate(rule.steps):
            if same_version(rule, step.from_, step.to):
                what = f"it goes from {shown(step.from_)} to the same version"
                mend = "correct from or to"
            elif not is_approved(rule, step.to):
                what = f"it leads to {shown(step.to)}, which is not approved"
                mend = "add it to approved, or take the step out"
            else:
                continue
            path = ("rules", at, "steps", number, "to")
            yield Fault(path=path, code="approved-step-nowhere", what=what, mend=mend)


def _steps_direction(one: Approved) -> Iterator[Fault]:
    for at, rule in usable(one):
        for number, step in enumerate(rule.steps):
            way = WAY.get(order(step.from_, step.to, rule.version_scheme))
            if way is not None and way != step.direction:
                yield Fault(
                    path=("rules", at, "steps", number, "direction"),
                    code="approved-step-direction",
                    what=f"from {shown(step.from_)} to {shown(step.to)} is no {step.direction}",
                    mend=f"write direction: {way}, or exchange from and to",
                )


def _steps_once(one: Approved) -> Iterator[Fault]:
    for at, rule in usable(one):
        for (_, first), (number, step) in combinations(enumerate(rule.steps), 2):
            if same_version(rule, first.from_, step.from_) and same_version(
                rule, first.to, step.to
            ):
                yield Fault(
                    path=("rules", at, "steps", number),
                    code="approved-step-twice",
                    what=f"another step goes from {shown(step.from_)} to {shown(step.to)}",
                    mend="keep the one that the procedure describes",
                )


CHECKS: Final[tuple[Check[Approved], ...]] = (
    Check(_ids),
    Check(check_overlap.overlaps),
    Check(_order_codes),
    Check(_hardware),
    Check(_schemes),
    Check(_readable),
    Check(_comparable),
    Check(_target),
    Check(_withdrawn),
    Check(_twice),
    Check(_steps_lead),
    Check(_steps_direction),
    Check(_steps_once),
    *check_packages.CHECKS,
)
