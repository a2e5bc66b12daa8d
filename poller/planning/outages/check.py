"""What an outages file must hold together, by itself and with the site that it is for."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from poller.model.problems import Faulty, Problem
from poller.model.refusal import Refusal
from poller.planning.outages.shape import Deadline, Forbidden, OutageFile, Window
from poller.site import faults
from poller.site.faults import Check, Fault
from poller.site.load import lined
from poller.site.settings import Site
from poller.site.yaml_lines import Path
from poller.work.window import fits, instant, zone_named


@dataclass(frozen=True, slots=True, kw_only=True)
class Both:
    file: OutageFile
    site: Site


def load_outages(text: str, file: str, site: Site) -> OutageFile:
    """Raises Faulty: every fault, each with its line and mend."""
    one, source = lined(OutageFile, text, file)
    problems = faults.run(CHECKS, Both(file=one, site=site), source, file)
    if problems:
        raise Faulty(sorted(problems, key=_place))
    return one


def _place(problem: Problem) -> tuple[int, str]:
    return problem.line or 0, problem.at


def times(window: Window, zone: str) -> tuple[datetime, datetime]:
    """In UTC. Raises Refusal with the mend."""
    place = zone_named(zone)
    start, end = instant(window.start, place), instant(window.end, place)
    fits(start, end)
    return start, end


def _zone(both: Both) -> Iterator[Fault]:
    try:
        zone_named(both.file.zone)
    except Refusal as reason:
        what, _, mend = str(reason).partition("; ")
        yield Fault(path=("zone",), code="outages-zone", what=what, mend=mend)


def _times(both: Both) -> Iterator[Fault]:
    try:
        zone_named(both.file.zone)
    except Refusal:
        return
    for at, window in enumerate(both.file.windows):
        for key, text in (("start", window.start), ("end", window.end)):
            try:
                instant(text, zone_named(both.file.zone))
            except Refusal as reason:
                yield _time(("windows", at, key), reason)
                break
        else:
            try:
                times(window, both.file.zone)
            except Refusal as reason:
                yield _time(("windows", at, "end"), reason)


def _time(path: Path, reason: Refusal) -> Fault:
    what, _, mend = str(reason).replace(": give", "; give").partition("; ")
    return Fault(path=path, code="outages-time", what=what, mend=mend or "correct it")


def _twice(both: Both) -> Iterator[Fault]:
    seen: set[str] = set()
    for at, window in enumerate(both.file.windows):
        if window.id in seen:
            yield Fault(
                path=("windows", at, "id"),
                code="outages-window-twice",
                what=f"{window.id} is the id of another window already",
                mend="give it an id of its own; plans and choices name windows by it",
            )
        seen.add(window.id)


def _nothing(both: Both) -> Iterator[Fault]:
    for at, window in enumerate(both.file.windows):
        if not window.bays and not window.groups:
            yield Fault(
                path=("windows", at),
                code="outages-nothing-out",
                what="neither a bay nor a protection group is out in it, so no relay can be",
                mend="name bays: that are out of service, or groups: of which one may be taken out",
            )


def _crew(both: Both) -> Iterator[Fault]:
    need = both.file.people_per_step
    for at, window in enumerate(both.file.windows):
        path: Path = ("windows", at, "crew")
        if window.crew.people < need:
            yield Fault(
                path=(*path, "people"),
                code="outages-crew",
                what=f"{window.crew.people} at work are too few for any step",
                mend=f"give at least {need}, or lower people_per_step:",
            )
        try:
            start, end = times(window, both.file.zone)
        except Refusal:
            continue
        if window.crew.hours is not None and timedelta(hours=window.crew.hours) > end - start:
            hours = (end - start) / timedelta(hours=1)
            yield Fault(
                path=(*path, "hours"),
                code="outages-crew",
                what=f"{window.crew.hours:g} h are longer than the window, {hours:g} h",
                mend="give the hours in which they can work at relays, or leave it out",
            )


Named = Iterable[tuple[Path, str]]


def _unknown(code: str, kind: str, known: Iterable[str], given: Named) -> Iterator[Fault]:
    names = list(dict.fromkeys(known))
    for path, name in given:
        if name not in names:
            near = difflib.get_close_matches(name, names, n=1)
            yield Fault(
                path=path,
                code=code,
                what=f"{name} is no {kind}",
                mend=f"write {near[0]}, if that is meant; else take it out"
                if near
                else "correct it, or take it out",
            )


def _bays(both: Both) -> Iterator[Fault]:
    known = [relay.bay for relay in both.site.file.relays]
    yield from _unknown("outages-name-unknown", "bay of the site", known, _of_windows(both, "bays"))


def _groups(both: Both) -> Iterator[Fault]:
    known, given = both.site.file.protection_groups, _of_windows(both, "groups")
    yield from _unknown("outages-name-unknown", "protection group of the site", known, given)


def _of_windows(both: Both, key: str) -> Named:
    for at, window in enumerate(both.file.windows):
        for number, name in enumerate(getattr(window, key)):
            yield ("windows", at, key, number), name


def _relays(both: Both) -> Iterator[Fault]:
    named = [(path, one.relay) for path, one in _choices(both) if one.relay is not None]
    named += [(("fixed", at), one.relay) for at, one in enumerate(both.file.fixed)]
    given: list[tuple[Path, str]] = [((*path, "relay"), name) for path, name in named]
    pilots = ((("families", rule, "pilot"), f.pilot) for rule, f in both.file.families.items())
    given += [(path, pilot) for path, pilot in pilots if pilot is not None]
    yield from _unknown("outages-name-unknown", "relay of the site", both.site.file.by_id, given)


def _families(both: Both) -> Iterator[Fault]:
    known = [] if both.site.approved is None else [rule.id for rule in both.site.approved.rules]
    given: list[tuple[Path, str]] = [(("families", rule), rule) for rule in both.file.families]
    given += [((*path, "family"), one.family) for path, one in _choices(both) if one.family]
    yield from _unknown("outages-family-unknown", "rule of the approved list", known, given)


def _windows(both: Both) -> Iterator[Fault]:
    known = [window.id for window in both.file.windows]
    given: list[tuple[Path, str]] = [
        (("forbidden", at, "windows", number), name)
        for at, one in enumerate(both.file.forbidden)
        for number, name in enumerate(one.windows)
    ]
    given += [(("fixed", at, "window"), one.window) for at, one in enumerate(both.file.fixed)]
    yield from _unknown("outages-window-unknown", "window of this file", known, given)


def _choices(both: Both) -> Iterator[tuple[Path, Forbidden | Deadline]]:
    yield from ((("forbidden", at), one) for at, one in enumerate(both.file.forbidden))
    yield from ((("deadlines", at), one) for at, one in enumerate(both.file.deadlines))


def _of_whom(both: Both) -> Iterator[Fault]:
    for path, one in _choices(both):
        if (one.relay is None) == (one.family is None):
            said = "neither a relay nor a family is" if one.relay is None else "both are"
            yield Fault(
                path=path,
                code="outages-choice",
                what=f"{said} named",
                mend="name relay: or family:, and one of them only",
            )


def _fixed(both: Both) -> Iterator[Fault]:
    seen: dict[tuple[str, str | None], str] = {}
    for at, one in enumerate(both.file.fixed):
        other = seen.setdefault((one.relay, one.to), one.window)
        barred = [
            b for b in both.file.forbidden if b.relay == one.relay and one.window in b.windows
        ]
        if other != one.window or barred:
            said = "is forbidden for it too" if barred else f"it is fixed to {other} already"
            yield Fault(
                path=("fixed", at),
                code="outages-choice",
                what=f"{one.relay} is fixed to {one.window}, and {said}",
                mend="leave one of the two",
            )


CHECKS: Final[tuple[Check[Both], ...]] = (
    Check(_zone),
    Check(_times),
    Check(_twice),
    Check(_nothing),
    Check(_crew),
    Check(_bays),
    Check(_groups),
    Check(_relays),
    Check(_families),
    Check(_windows),
    Check(_of_whom),
    Check(_fixed),
)
