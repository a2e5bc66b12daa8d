"""What a catalogue of alarms must hold together, beyond the type of each key."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from typing import Final

from poller.model.alarms import Audience, Cause
from poller.model.problems import Problem
from poller.site import faults
from poller.site.alarm_catalogue import Catalogue, Entry
from poller.site.faults import Check, Fault, run
from poller.site.yaml_lines import Lined, Path

PARAMETER: Final = {Cause.FLAG: "flag", Cause.FIRMWARE_STATUS: "status"}
"""Conditions that need to be told which of several."""


def check_alarms(
    one: Catalogue, source: Lined, file: str, cut: tuple[Path, ...] = ()
) -> list[Problem]:
    """Every fault that the checks find. source: for the lines; cut: at fault already."""
    return run(CHECKS, one, source, file, cut)


def check_relays(
    one: Catalogue, relays: Collection[str], source: Lined, file: str
) -> list[Problem]:
    """What it must hold together with its site. relays: ids that the site lists."""
    found = (
        Fault(
            path=("watchdog_exceptions", at),
            code="alarms-relay-unknown",
            what=f"the site lists no relay {name}",
            mend="write the id as the site has it, or take it out",
        )
        for at, name in enumerate(one.watchdog_exceptions)
        if name not in relays
    )
    return [faults.problem(fault, source, file) for fault in found]


def _ids(one: Catalogue) -> Iterator[Fault]:
    seen: set[str] = set()
    for at, entry in enumerate(one.entries):
        if entry.id in seen:
            yield Fault(
                path=("entries", at, "id"),
                code="alarms-entry-twice",
                what=f"{entry.id} is the id of another entry already",
                mend="give it an id of its own; alarms are named by it",
            )
        seen.add(entry.id)


def _inside(one: Catalogue) -> Iterator[Fault]:
    """flag_left.firmware_changed is what alarms of flag_left are called."""
    whole = {entry.id for entry in one.entries}
    for at, entry in enumerate(one.entries):
        first = entry.id.split(".")[0]
        if first != entry.id and first in whole:
            yield Fault(
                path=("entries", at, "id"),
                code="alarms-entry-inside",
                what=f"alarms of the entry {first} may be called {entry.id} too",
                mend="choose another word before the dot",
            )


def _parameters(one: Catalogue) -> Iterator[Fault]:
    for at, entry in enumerate(one.entries):
        wanted = PARAMETER.get(entry.cause)
        for name in PARAMETER.values():
            given = getattr(entry, name) is not None
            if given and name != wanted:
                yield Fault(
                    path=("entries", at, name),
                    code="alarms-parameter",
                    what=f"the condition {entry.condition} has no {name}",
                    mend=f"take {name} out, or choose the condition that has one",
                )
            elif not given and name == wanted:
                yield Fault(
                    path=("entries", at, "condition"),
                    code="alarms-parameter",
                    what=f"the condition {entry.condition} does not say which {name}",
                    mend=f"add {name}:",
                )


def _key(entry: Entry) -> tuple[str, str | None, str | None]:
    return entry.condition, entry.flag, entry.status


def _once(one: Catalogue) -> Iterator[Fault]:
    """One thing that happens is one alarm."""
    seen: dict[tuple[str, str | None, str | None], str] = {}
    for at, entry in enumerate(one.entries):
        first = seen.setdefault(_key(entry), entry.id)
        if first != entry.id:
            told = " ".join(part for part in _key(entry) if part is not None)
            yield Fault(
                path=("entries", at, "condition"),
                code="alarms-condition-twice",
                what=f"{first} is an alarm of {told} already, so that it would be told twice",
                mend="keep one of them; one entry may have two audiences",
            )


def _audiences(one: Catalogue) -> Iterator[Fault]:
    for at, entry in enumerate(one.entries):
        told = entry.audiences
        if len(set(told)) < len(told):
            what = f"{told[0].value} stands here twice"
        elif {Audience.OPERATOR_ALARM, Audience.ENGINEERING_NOTICE} <= set(told):
            what = "it is for the operator to act on and for an engineer to know by and by"
        else:
            continue
        yield Fault(
            path=("entries", at, "audience"),
            code="alarms-audience",
            what=what,
            mend="write operator_alarm or engineering_notice, with security_event beside it or not",
        )


def _relays_once(one: Catalogue) -> Iterator[Fault]:
    for at, name in enumerate(one.watchdog_exceptions):
        if name in one.watchdog_exceptions[:at]:
            yield Fault(
                path=("watchdog_exceptions", at),
                code="alarms-relay-twice",
                what=f"{name} stands in the list already",
                mend="keep one of them",
            )


def _targets(one: Catalogue) -> Iterator[Fault]:
    if one.targets.per_day_max < one.targets.per_day:
        yield Fault(
            path=("targets", "per_day_max"),
            code="alarms-targets",
            what=f"{one.targets.per_day_max} a day are said to be the most that can be managed, and"
            f" {one.targets.per_day} to be acceptable",
            mend="write at least as many as per_day",
        )


CHECKS: Final[tuple[Check[Catalogue], ...]] = (
    Check(_ids),
    Check(_inside),
    Check(_parameters),
    Check(_once),
    Check(_audiences),
    Check(_relays_once),
    Check(_targets),
)
