"""One change of a relay beside what authorised it, what was checked, and when it was accepted.

Clock: CIP-010-4, part 1.3: the baseline is updated within 30 calendar days of completing the
change, owed for high and medium impact.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from poller.answers import changes
from poller.answers.evidence import report
from poller.answers.evidence.configuration import UNKNOWN
from poller.answers.words import count, moment, place
from poller.answers.work_words import CHANGE, DISPOSITION, state_says
from poller.model import events as ev
from poller.model import limits
from poller.model.attribute_words import attribute
from poller.model.standing import State
from poller.model.text import shown
from poller.model.work import Work, WorkState
from poller.planning.reasons import BASELINE_DAYS, RATED
from poller.work.against_plan import is_firmware

PART: Final = "CIP-010-4, part 1.3"
NO_PACKAGE: Final = "no check of its package was recorded before"
CAME_OUT: Final = frozenset({WorkState.VERIFIED, WorkState.CLOSED})


@dataclass(slots=True)
class Draft:
    """A change as it was read, and the investigation that it led to. body: None: by hand only."""

    seq: int
    event: ev.Event
    change: ev.ChangeClass
    changes: tuple[ev.Change, ...]
    since: datetime | None
    read_at: datetime
    by_hand: bool = False
    work: str | None = None
    investigation: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Around:
    """What a change is told beside. works: also those that the state has dropped.

    accepted: when each relay's baseline was, in order; packages: all checks before the end.
    """

    state: State
    works: dict[str, Work]
    accepted: dict[str, Sequence[datetime]]
    packages: Sequence[tuple[ev.Event, ev.PackageChecked]]
    asset_classes: Collection[str]
    end: datetime


def told(one: Draft, around: Around) -> report.Change:
    name, work = one.event.subject, around.works.get(one.work or "")
    relay = around.state.relays[name]
    firmware = any(is_firmware(each.attribute) for each in one.changes)
    done = one.read_at if work is None or work.came_out_at is None else work.came_out_at
    renewed = next((at for at in around.accepted.get(name, ()) if at >= one.read_at), None)
    days = ((renewed or around.end).date() - done.date()).days
    return report.Change(
        seq=one.seq,
        at=one.event.at,
        relay=name,
        position=place(relay.bay, relay.function),
        word=CHANGE[one.change],
        says=shown(changes.framed(one.change, one.changes), limits.SENTENCE_MAX),
        attributes=tuple(_attribute(each) for each in one.changes),
        firmware=firmware,
        since=one.since,
        read_at=one.read_at,
        by_hand=one.by_hand,
        work=one.work or "",
        authorised=_authorised(one, work),
        package=_package(one, work, around.packages) if firmware else "",
        verified="" if work is None else _verified(work),
        disposition=_disposition(one, around.state),
        renewed=renewed,
        renewed_days=max(0, days),
        renewal=_renewal(renewed, max(0, days), firmware, around.asset_classes),
    )


def _attribute(one: ev.Change) -> report.Changed:
    return report.Changed(
        name=shown(one.attribute),
        says=attribute(one.attribute),
        before=None if one.before is None else shown(one.before),
        after=None if one.after is None else shown(one.after),
        way="" if one.order is None else changes.WAY[one.order].strip(" ()"),
    )


def _authorised(one: Draft, work: Work | None) -> str:
    if work is None:
        where = "" if one.work is None else f"; work {one.work} is no longer held"
        return f"no work was planned for it{where}"
    by = shown(work.by or "nobody named")
    reference = "" if work.plan.reference is None else f", {shown(work.plan.reference)}"
    says = f"work {work.id}{reference}, entered by {by} on {moment(work.entered_at)}"
    if one.change is not ev.ChangeClass.PLANNED:
        says += "; it is not what was planned"
    if work.overridden:
        says += f"; against {count(len(work.overridden), 'rule', 'rules')}, see the work"
    return says


def _package(
    one: Draft, work: Work | None, packages: Iterable[tuple[ev.Event, ev.PackageChecked]]
) -> str:
    """Part 1.6: before the change. The last check that was recorded for this relay and version."""
    versions = {each.after for each in one.changes if is_firmware(each.attribute)}
    begun = one.read_at if work is None or work.started_at is None else work.started_at
    fits = [
        (event, body)
        for event, body in packages
        if event.at <= begun and body.version in versions and one.event.subject in body.relays
    ]
    if not fits:
        return NO_PACKAGE
    event, body = fits[-1]
    came = "nothing spoke against it" if not body.against else "it did NOT pass"
    return f"{shown(body.file)} checked on {moment(event.at)}: {came}"


def _verified(work: Work) -> str:
    well = sum(line.ok is True for line in work.lines)
    lines = f"{well} of {count(len(work.lines), 'line', 'lines')} as expected"
    return f"{state_says(work)}; {lines}" if work.lines else state_says(work)


def _disposition(one: Draft, state: State) -> str:
    if one.investigation is None:
        return ""
    found = state.investigations.get(one.investigation)
    if found is None:
        return f"investigation {one.investigation}, no longer held"
    linked = "" if found.work is None else f"; work {found.work} was entered afterwards for it"
    if found.disposition is None:
        return f"investigation {found.id} is OPEN{linked}"
    at = "" if found.closed_at is None else f" on {moment(found.closed_at)}"
    by = shown(found.by or "nobody named")
    why = shown(found.why or "", limits.REASON_MAX)
    return f"investigation {found.id}: {DISPOSITION[found.disposition]}, by {by}{at}: {why}{linked}"


def _renewal(
    renewed: datetime | None, days: int, firmware: bool, asset_classes: Collection[str]
) -> str:
    after = count(days, "day", "days")
    if renewed is not None:
        says = f"accepted again on {moment(renewed)}, after {after}"
    else:
        says = f"not accepted again until the end of the span, {after} later"
    if not firmware:
        return f"{says}; not of item 1.1.1"
    if not RATED & set(asset_classes):
        owed = "may be owed" if UNKNOWN in asset_classes else "are not owed here"
        return f"{says}; {BASELINE_DAYS} days ({PART}) {owed}"
    if renewed is None and days <= BASELINE_DAYS:
        return f"{says}; owed within {BASELINE_DAYS} days ({PART}), which are not over"
    word = "kept" if days <= BASELINE_DAYS else "NOT KEPT"
    return f"{says}; owed within {BASELINE_DAYS} days ({PART}): {word}"
