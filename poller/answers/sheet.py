"""The work sheet: a page to print that a person fills in and signs. Values; two ways to print it.

All text in it is as model.text.shown gives it; HTML is escaped once more where it is written.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import TypeAlias

from poller.answers import sheet_items, work
from poller.answers.sheet_items import FIRMWARE, Item
from poller.answers.words import count, moment, position, quoted
from poller.answers.work import CheckLine, Expected
from poller.answers.work_words import NOTE, meant, state_says, window
from poller.model import limits
from poller.model.attribute_words import attribute
from poller.model.nameplate import from_flat
from poller.model.standing import State
from poller.model.text import shown
from poller.model.work import NoteKind, Work
from poller.site.approved import Rule, Step, rule_for, step_for
from poller.site.settings import SharedZone, Site
from poller.work.groups import groups_of, partners

Pair: TypeAlias = tuple[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """One box to tick. noted: what the journal already has of it, for a person to compare."""

    says: str
    blanks: tuple[str, ...]
    noted: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """A heading, sentences under it, boxes under those."""

    heading: str
    says: tuple[str, ...] = ()
    boxes: tuple[Box, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """head: label and value. lines: what Bayroll read after the work; empty before it."""

    title: str
    head: tuple[Pair, ...]
    cautions: tuple[str, ...]
    expects: tuple[Expected, ...]
    parts: tuple[Part, ...]
    lines: tuple[CheckLine, ...]
    signed: tuple[str, ...]
    made: str


def sheet(one: Work, state: State, site: Site, now: datetime) -> Sheet:
    steps = tuple(_steps(one, site))
    parts = [
        Part(
            heading="Before the work",
            boxes=(*_boxes(one, sheet_items.BEFORE), *_group(one, site, state)),
        ),
        Part(
            heading="The work",
            says=(*_settings(one), *_ways(steps)),
            boxes=_boxes(one, sheet_items.DURING),
        ),
        Part(
            heading="After the work",
            says=tuple(_after(steps)),
            boxes=_boxes(one, sheet_items.AFTER),
        ),
    ]
    if one.plan.kind in FIRMWARE:
        parts.append(
            Part(heading="If the version is not the one that was planned", says=tuple(_stop(steps)))
        )
    return Sheet(
        title=f"Work sheet {shown(one.id)}: {position(one.plan.relay, state)}",
        head=tuple(_head(one, state, site)),
        cautions=sheet_items.CAUTIONS,
        expects=work.expected(one.plan),
        parts=tuple(parts),
        lines=work.picture(one, state, now).lines,
        signed=sheet_items.SIGNED,
        made=f"Printed {moment(now)} from event {state.seq} of the journal of "
        f"{shown(site.file.name)}. It is not kept up to date.",
    )


def _head(one: Work, state: State, site: Site) -> Iterator[Pair]:
    plan, relay = one.plan, state.relays.get(one.plan.relay)
    yield "Substation", shown(site.file.name)
    yield "Position", f"{position(plan.relay, state)} ({shown(plan.relay)})"
    if relay is not None:
        yield "Address", shown(relay.address)
    yield "What is meant", shown(meant(plan.kind, plan.expects), limits.SENTENCE_MAX)
    yield "Window", window(plan)
    yield "In UTC", f"{moment(plan.start)} to {moment(plan.end)}"
    yield "Reference", shown(plan.reference or "none given")
    yield "Planned by", f"{shown(one.by or 'nobody named')}, {moment(one.entered_at)}"
    yield "State", state_says(one)
    if one.overridden:
        rules = ", ".join(quoted(rule) for rule in one.overridden)
        yield "Rules decided against", shown(rules, limits.SENTENCE_MAX)


def _boxes(one: Work, items: tuple[Item, ...]) -> tuple[Box, ...]:
    return tuple(
        Box(
            says=item.says,
            blanks=item.blanks,
            noted=None if item.noted is None else _noted(one, item.noted),
        )
        for item in items
        if not item.kinds or one.plan.kind in item.kinds
    )


def _noted(one: Work, kind: NoteKind) -> str | None:
    """A functional test is of the last try; on the sheet for the next one there is none yet."""
    note = one.noted(kind)
    if kind is NoteKind.TESTED:
        note = None if one.state in work.STARTS_FROM else one.tested
    if note is None:
        return None
    by = shown(note.by or "nobody named", limits.PERSON_MAX)
    said = shown(note.text, limits.REASON_MAX)
    return f"Noted {moment(note.at)} by {by}: {NOTE[kind]}. {said}"


def _group(one: Work, site: Site, state: State) -> Iterator[Box]:
    """What its protection groups ask of people."""
    names = [position(other, state) for other in partners(site, one.plan.relay)]
    if names:
        yield Box(
            says=f"In service while this relay is out, and confirmed to trip: {', '.join(names)}.",
            blanks=("how confirmed", "by", "at"),
            noted=_noted(one, NoteKind.PARTNER_TRIPS),
        )
    for name, group in groups_of(site, one.plan.relay):
        if isinstance(group, SharedZone):
            yield Box(
                says=f"Who operates the zone of {quoted(name)} decided that this relay may be out.",
                blanks=("decided by", "at"),
            )


Found: TypeAlias = tuple[str, Rule, Step | None]


def _steps(one: Work, site: Site) -> Iterator[Found]:
    """For each firmware that is expected: its rule, and the step from the version before."""
    plan = one.plan
    if site.approved is None:
        return
    plate = from_flat(plan.before)
    for name, after in plan.expects.items():
        rule = rule_for(site.approved, plate, name)
        if rule is not None:
            before = plan.before.get(name)
            yield name, rule, None if before is None else step_for(rule, before, after)


def _settings(one: Work) -> Iterator[str]:
    told = one.plan.settings
    if told is None:
        return
    yield f"Settings file {quoted(told.name)}, SHA-256 {shown(told.sha256_before)}."
    if told.sha256_after is not None:
        yield f"After conversion, SHA-256 {shown(told.sha256_after)}."
    yield (
        "Nobody is named who reviewed the settings."
        if told.reviewed_by is None
        else f"Reviewed by {shown(told.reviewed_by, limits.PERSON_MAX)}."
    )


def ways(one: Work, site: Site) -> tuple[str, ...]:
    """Of each firmware that is expected: its step of the approved list, as a sentence."""
    return tuple(_way(*found) for found in _steps(one, site))


def _ways(steps: tuple[Found, ...]) -> Iterator[str]:
    for name, rule, step in steps:
        yield _way(name, rule, step)
        if step is not None:
            yield from _quotes(rule.procedure.free_memory, rule.procedure.settings)
            yield from _quotes(rule.procedure.hardware)


def _way(name: str, rule: Rule, step: Step | None) -> str:
    if step is None:
        return (
            f"The approved list (rule {quoted(rule.id)}) has no step from the present version "
            f"of {attribute(name)}."
        )
    return (
        f"Step of the approved list (rule {quoted(rule.id)}): {attribute(name)} "
        f"{quoted(step.from_)} to {quoted(step.to)}, {step.direction}, about "
        f"{count(step.minutes, 'minute', 'minutes')}; settings "
        f"{'survive' if step.settings_survive else 'do not survive: load them afterwards'}; it "
        f"{'can' if step.can_be_undone else 'can not'} be undone."
    )


def _after(steps: tuple[Found, ...]) -> Iterator[str]:
    for _, rule, _ in steps:
        yield from _quotes(rule.procedure.lifecycle_warning, rule.procedure.test)


def _stop(steps: tuple[Found, ...]) -> Iterator[str]:
    yield from sheet_items.STOP
    for _, rule, _ in steps:
        yield from _quotes(rule.procedure.failed)
    known = {step.retry_allowed for _, _, step in steps if step is not None}
    yield sheet_items.RETRY[None if not known else all(known)]


def _quotes(*texts: str | None) -> Iterator[str]:
    for text in texts:
        if text is not None:
            yield f"The family's procedure says: {shown(text.strip(), limits.REASON_MAX)}"
