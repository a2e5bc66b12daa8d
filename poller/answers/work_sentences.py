"""Sentences for events about approved versions, planned work, investigations and spares."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

from poller.answers import changes
from poller.answers.words import count, quoted, said
from poller.answers.work_words import (
    DISPOSITION,
    FIRMWARE,
    NOTE,
    STATE,
    failing,
    line_says,
    meant,
    window,
)
from poller.model import events as ev
from poller.model import limits
from poller.model.attribute_words import attribute
from poller.model.standing import State
from poller.model.text import shown


def by(event: ev.Event) -> str:
    """Who did it, as the end of a clause."""
    return "" if event.by is None else f" by {shown(event.by, limits.PERSON_MAX)}"


def reference(text: str | None) -> str:
    return "" if text is None else f" Reference: {said(text, limits.SENTENCE_TEXT_MAX)}"


def _firmware(body: ev.FirmwareStatusChanged, event: ev.Event, state: State) -> str:
    version = "" if body.version is None else f" {quoted(body.version)}"
    against = [] if body.target is None else [f"target {quoted(body.target)}"]
    against += [] if body.rule is None else [f"rule {quoted(body.rule)}"]
    named = f" ({', '.join(against)})" if against else ""
    before = "" if body.before is None else f"; it was: {FIRMWARE[body.before]}"
    return f"{attribute(body.attribute)}{version}: {FIRMWARE[body.after]}{named}{before}."


def _added(body: ev.WorkAdded, event: ev.Event, state: State) -> str:
    plan = body.plan
    return (
        f"work {quoted(body.work)} was planned{by(event)}: {meant(plan.kind, plan.expects)}; "
        f"{window(plan)}.{reference(plan.reference)}"
    )


def _overridden(body: ev.RuleOverridden, event: ev.Event, state: State) -> str:
    return (
        f"work {quoted(body.work)}: a rule was decided against{by(event)}, because: "
        f"{said(body.why)} The rule ({quoted(body.rule)}): {said(body.says)}"
    )


def _moved(body: ev.WorkMoved, event: ev.Event, state: State) -> str:
    moved = f"work {quoted(body.work)} was moved{by(event)}"
    why = f": {said(body.why)}" if body.why.strip() else "."
    return f"{moved} from {STATE[body.before]} to {STATE[body.after]}{why}"


def _noted(body: ev.WorkNoted, event: ev.Event, state: State) -> str:
    return f"work {quoted(body.work)}, {NOTE[body.note]}, noted{by(event)}: {said(body.text)}"


def _checked(body: ev.VerificationChecked, event: ev.Event, state: State) -> str:
    start = f"work {quoted(body.work)} was checked"
    if body.proven:
        return f"{start}: all that is read is as expected, and stayed so."
    wrong = failing(body.lines)
    if wrong:
        some = wrong[: limits.SENTENCE_CHANGES_MAX]
        told = [
            f"{line_says(line.name)} is {quoted(line.read or 'not read')}, "
            f"expected {quoted(line.expected)}"
            for line in some
        ]
        if len(wrong) > len(some):
            told.append(f"{len(wrong) - len(some):,} more")
        lines = count(len(body.lines), "line", "lines")
        return f"{start}: {len(wrong)} of {lines} not as expected: {'; '.join(told)}."
    if body.holds:
        return f"{start}: all that is read is as expected so far."
    unsaid = sum(line.ok is None for line in body.lines)
    return f"{start}: {count(unsaid, 'line', 'lines')} can't be told yet."


def _opened(body: ev.InvestigationOpened, event: ev.Event, state: State) -> str:
    told = changes.framed(body.change, body.changes)
    return f"investigation {quoted(body.investigation)} was opened: {told}"


def _linked(body: ev.InvestigationLinked, event: ev.Event, state: State) -> str:
    return (
        f"investigation {quoted(body.investigation)} was linked{by(event)} to work "
        f"{quoted(body.work)}; the change stays one that nobody had planned."
    )


def _disposed(body: ev.DispositionGiven, event: ev.Event, state: State) -> str:
    return (
        f"investigation {quoted(body.investigation)} was closed{by(event)}: "
        f"{DISPOSITION[body.disposition]}. {said(body.why)}"
    )


def _box(body: ev.SpareShelved | ev.SpareRemoved) -> str:
    return f"{quoted(body.vendor)} serial number {quoted(body.serNum)}"


def _shelved(body: ev.SpareShelved) -> str:
    known = {"": body.model, "order code ": body.orderCode, "firmware ": body.swRev}
    more = "".join(f", {name}{quoted(text)}" for name, text in known.items() if text is not None)
    tested = "no test noted" if body.tested_on is None else f"tested on {quoted(body.tested_on)}"
    return f"Spare {_box(body)}{more} is on shelf {quoted(body.shelf)}, {tested}."


def _removed(body: ev.SpareRemoved) -> str:
    return f"Spare {_box(body)} left the shelf: {said(body.why)}"


ABOUT_RELAYS: Final[dict[str, Callable[[Any, ev.Event, State], str]]] = {
    "firmware_status_changed": _firmware,
    "work_added": _added,
    "rule_overridden": _overridden,
    "work_moved": _moved,
    "work_noted": _noted,
    "verification_checked": _checked,
    "investigation_opened": _opened,
    "investigation_linked": _linked,
    "disposition_given": _disposed,
}
ABOUT_THE_POLLER: Final[dict[str, Callable[[Any], str]]] = {
    "spare_shelved": _shelved,
    "spare_removed": _removed,
}
