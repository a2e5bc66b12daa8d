"""Which conditions hold now: of each relay, of several together, and of the poller itself.

One function a condition; what it tells is what was read, and never a reading of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final, TypeAlias

from poller.alarms import covers, silence
from poller.alarms.silence import Silence
from poller.model import limits
from poller.model.alarms import OF_THE_POLLER, Alarm, Cause, Condition, Own
from poller.model.attribute_words import attribute
from poller.model.events import ChangeClass
from poller.model.nameplate import flat
from poller.model.standing import Investigation, Relay, State
from poller.model.status import Behaviour, Health
from poller.model.text import shown
from poller.model.work import Work, WorkState, by_number
from poller.site.alarm_catalogue import Catalogue, Entry
from poller.site.settings import RelayEntry, Site

NETWORK: Final = "network"
POLLER: Final = "poller"

UNPLANNED: Final = frozenset({ChangeClass.UNPLANNED, ChangeClass.DOWNGRADED, ChangeClass.OPTIONS})
FAILURE: Final = "relay_failure"
BEHAVIOUR: Final = {
    Behaviour.BLOCKED: "blocked",
    Behaviour.TEST: "in test",
    Behaviour.TEST_BLOCKED: "in test and blocked",
    Behaviour.OFF: "off",
}


Finder: TypeAlias = Callable[["About", Entry], Iterator[Condition]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """All that is looked at, sorted by relay. works: those that ended are among them."""

    state: State
    site: Site
    catalogue: Catalogue
    at: datetime
    entries: Mapping[str, RelayEntry]
    works: Mapping[str, Sequence[Work]]
    investigations: Mapping[str, Sequence[Investigation]]
    silence: Silence
    finders: Sequence[tuple[Finder, Entry]]


@dataclass(frozen=True, slots=True, kw_only=True)
class About:
    """One relay of a scene."""

    scene: Scene
    name: str
    relay: Relay

    @property
    def works(self) -> Sequence[Work]:
        return self.scene.works.get(self.name, ())

    def condition(
        self,
        entry: Entry,
        since: datetime | None,
        says: str,
        *,
        detail: str = "",
        occurrence: str = "",
        work: str | None = None,
        later_s: float = 0.0,
    ) -> Condition:
        """detail: what its id ends with, where one entry has several alarms of a relay."""
        alarm = f"{self.name}.{entry.id}"
        return Condition(
            alarm=f"{alarm}.{detail}" if detail else alarm,
            entry=entry.id,
            subject=self.name,
            since=since,
            says=shown(says, limits.REASON_MAX),
            occurrence=occurrence,
            work=work,
            later_s=later_s,
        )


def scene(state: State, site: Site, catalogue: Catalogue, at: datetime) -> Scene:
    works: dict[str, list[Work]] = {}
    for name in sorted(state.works, key=by_number):
        works.setdefault(state.works[name].plan.relay, []).append(state.works[name])
    opened: dict[str, list[Investigation]] = {}
    for found in state.investigations.values():
        if found.disposition is None:
            opened.setdefault(found.relay, []).append(found)
    return Scene(
        state=state,
        site=site,
        catalogue=catalogue,
        at=at,
        entries=site.file.by_id,
        works=works,
        investigations=opened,
        silence=silence.look(state, site, catalogue, works, at),
        finders=[
            (OF_RELAY[cause], entry)
            for cause, entries in catalogue.by_cause.items()
            if cause in OF_RELAY
            for entry in entries
        ],
    )


def of_relays(seen: Scene, names: Iterable[str]) -> Iterator[Condition]:
    """What holds of these relays; of one that the site does not list, nothing does."""
    for name in names:
        relay = seen.state.relays.get(name)
        if relay is None or not relay.listed or name not in seen.entries:
            continue
        about = About(scene=seen, name=name, relay=relay)
        for finder, entry in seen.finders:
            yield from finder(about, entry)


def of_several(seen: Scene) -> Iterator[Condition]:
    """One alarm for what relays have in common, in place of theirs."""
    found = seen.silence
    many, behind = (seen.catalogue.first(one) for one in (Cause.MANY_SILENT, Cause.GATEWAY_SILENT))
    if many is not None and found.many:
        yield Condition(
            alarm=f"{NETWORK}.{many.id}",
            entry=many.id,
            subject="",
            since=found.many_since,
            says=f"{len(found.many)} relays fell silent together: {_listed(found.many)}",
        )
    if behind is not None:
        for one in found.gateways:
            says = f"all {len(one.relays)} relays behind {one.address} are silent: "
            yield Condition(
                alarm=f"{one.name}.{behind.id}",
                entry=behind.id,
                subject="",
                since=one.since,
                says=shown(says + _listed(one.relays), limits.REASON_MAX),
            )


def _listed(names: Sequence[str]) -> str:
    some = ", ".join(names[: limits.SENTENCE_CHANGES_MAX])
    more = len(names) - limits.SENTENCE_CHANGES_MAX
    return some if more <= 0 else f"{some} and {more} more"


def of_the_poller(catalogue: Catalogue, own: Collection[Own]) -> Iterator[Condition]:
    for fact in own:
        entry = catalogue.first(fact.cause)
        if entry is not None and fact.holds and fact.cause in OF_THE_POLLER:
            yield Condition(
                alarm=own_id(entry, fact),
                entry=entry.id,
                subject="",
                since=fact.since,
                says=shown(fact.says, limits.REASON_MAX),
            )


def own_id(entry: Entry, fact: Own) -> str:
    return ".".join(part for part in (POLLER, entry.id, fact.detail) if part)


def of_outputs_gone(catalogue: Catalogue, site: Site, standing: Iterable[Alarm]) -> set[str]:
    """Ids of alarms of outputs that the site has no more: nobody will ever tell of them again."""
    there = {
        f"{POLLER}.{entry.id}.{name}"
        for entry in catalogue.of(Cause.OUTPUT_AWAY)
        for name in site.file.outputs
    }
    entries = {entry.id for entry in catalogue.of(Cause.OUTPUT_AWAY)}
    return {alarm.id for alarm in standing if alarm.entry in entries} - there


def _investigated(classes: Collection[ChangeClass]) -> Finder:
    """While an investigation of such a change is open; the newest is what is told."""

    def found(about: About, entry: Entry) -> Iterator[Condition]:
        opened = [
            one for one in about.scene.investigations.get(about.name, ()) if one.change in classes
        ]
        if opened:
            opened.sort(key=lambda one: by_number(one.id))
            newest = opened[-1]
            told = [
                f"{attribute(change.attribute)} changed from {change.before or 'nothing'}"
                f" to {change.after or 'nothing'}"
                for change in newest.changes[: limits.SENTENCE_CHANGES_MAX]
            ]
            says = f"{'; '.join(told)} (investigation {newest.id})"
            ids = [one.id for one in opened]
            yield about.condition(entry, newest.opened_at, says, occurrence=_lines(ids))

    return found


def _lines(ids: Sequence[str]) -> str:
    """The newest are kept; of so many at once nobody is told one by one."""
    return "\n".join(ids[-limits.ALARM_OCCURRENCES_MAX :])


def _came_out(state: WorkState, says: str) -> Finder:
    """While planned work stands so."""

    def found(about: About, entry: Entry) -> Iterator[Condition]:
        works = [work for work in about.works if work.state == state]
        if works:
            work = works[-1]
            tries = [f"{one.id}/{one.tries}" for one in works]
            told = f"work {work.id}: {says}"
            yield about.condition(entry, work.since, told, occurrence=_lines(tries))

    return found


def _flag(about: About, entry: Entry) -> Iterator[Condition]:
    """A flag that stands, whoever raised it; what work raised is told as a flag that was left."""
    flag = about.relay.flags.get(entry.flag or "")
    if flag is None or entry.flag is None:
        return
    work = covers.raised_by(about.works, entry.flag, flag.since, about.relay, about.scene.site)
    if work is None:
        yield about.condition(entry, flag.since, flag.says)
    elif about.scene.catalogue.first(Cause.FLAG_LEFT) is None:
        covered = work.id if covers.covers(work, about.scene.at) else None
        yield about.condition(entry, flag.since, flag.says, work=covered)


def _flag_left(about: About, entry: Entry) -> Iterator[Condition]:
    for name, flag in sorted(about.relay.flags.items()):
        work = covers.raised_by(about.works, name, flag.since, about.relay, about.scene.site)
        if work is not None:
            yield about.condition(
                entry,
                flag.since,
                f"work {work.id} raised {name}, which stands. {flag.says}",
                detail=name,
                work=work.id if covers.covers(work, about.scene.at) else None,
            )


def _silent(about: About, entry: Entry) -> Iterator[Condition]:
    """A relay behind a gateway must be silent for an interval longer: the others may follow it."""
    if about.name not in about.scene.silence.alone:
        return
    interval = silence.interval_s(about.scene.site, about.scene.entries[about.name])
    yield about.condition(
        entry,
        about.relay.answering_since,
        "it does not answer",
        work=silence.by_work(about.relay, about.works, interval, about.scene.at),
        later_s=interval if about.name in about.scene.silence.behind else 0.0,
    )


def _not_in_service(about: About, entry: Entry) -> Iterator[Condition]:
    """A relay that is worked on is not asked: what it last said is not told as if it were so."""
    says = BEHAVIOUR.get(about.relay.behaviour) if about.relay.behaviour else None
    if says is None:
        return
    known = about.scene.state.alarms.get(f"{about.name}.{entry.id}")
    worked_on = any(work.state == WorkState.UNDER_WAY for work in about.works)
    if not worked_on or (known is not None and known.active):
        yield about.condition(entry, None, f"it is {says}")


def _unreadable(about: About, entry: Entry) -> Iterator[Condition]:
    since = about.relay.unreadable_since
    if since is not None:
        work = covers.caused(about.works, since, about.scene.at)
        says = "it answers, but its nameplate can't be read"
        yield about.condition(entry, since, says, work=work)


def _no_map(about: About, entry: Entry) -> Iterator[Condition]:
    told = about.relay.misfit
    if told is not None:
        values = flat(told)
        what = " ".join(
            values[name] for name in ("vendor", "model", "orderCode", "swRev") if name in values
        )
        yield about.condition(
            entry,
            None,
            f"none of its maps fits {what or 'what it tells'}",
            occurrence=shown(what),
            work=covers.planned(about.works, values, about.scene.at),
        )


def _duplicate(about: About, entry: Entry) -> Iterator[Condition]:
    others = about.relay.duplicates
    if others:
        yield about.condition(entry, None, f"its serial number is also told by {_listed(others)}")


def _failure(wired: bool) -> Finder:
    """It says that it failed, or that its health is alarm."""

    def found(about: About, entry: Entry) -> Iterator[Condition]:
        if about.scene.catalogue.watched_by_wire(about.name) != wired:
            return
        flag = about.relay.flags.get(FAILURE)
        if flag is not None:
            yield about.condition(entry, flag.since, flag.says)
        elif about.relay.health == Health.ALARM:
            yield about.condition(entry, None, "its health is alarm")

    return found


def _firmware(about: About, entry: Entry) -> Iterator[Condition]:
    found = {
        name: one
        for name, one in sorted(about.relay.firmware.items())
        if one.status == entry.wanted_status
    }
    if not found:
        return
    told = [f"{attribute(name)} {one.version or 'not read'}" for name, one in found.items()]
    targets = sorted({one.target for one in found.values() if one.target is not None})
    against = f"; the target is {', '.join(targets)}" if targets else ""
    yield about.condition(
        entry,
        max(one.since for one in found.values()),
        f"{', '.join(told)}: {(entry.status or '').replace('_', ' ')}{against}",
        occurrence=_lines([shown(one) for one in told]),
        work=covers.planned(
            about.works,
            {name: one.version for name, one in found.items() if one.version is not None},
            about.scene.at,
        ),
    )


OF_RELAY: Final[dict[Cause, Finder]] = {
    Cause.UNPLANNED_CHANGE: _investigated(UNPLANNED),
    Cause.REPLACED: _investigated({ChangeClass.REPLACED}),
    Cause.SETTINGS_CHANGED: _investigated({ChangeClass.SETTINGS}),
    Cause.WRONG_VERSION: _came_out(
        WorkState.WRONG_VERSION, "the relay is neither what was planned nor what it was"
    ),
    Cause.NOT_DONE: _came_out(WorkState.NOT_DONE, "the relay is still what it was before"),
    Cause.FLAG: _flag,
    Cause.FLAG_LEFT: _flag_left,
    Cause.SILENT: _silent,
    Cause.NOT_IN_SERVICE: _not_in_service,
    Cause.IDENTITY_UNREADABLE: _unreadable,
    Cause.NO_VALID_MAP: _no_map,
    Cause.DUPLICATE_SERIAL: _duplicate,
    Cause.RELAY_FAILURE: _failure(wired=False),
    Cause.RELAY_FAILURE_WIRED: _failure(wired=True),
    Cause.FIRMWARE_STATUS: _firmware,
}
"""Conditions of one relay."""

ONE_EACH: Final = frozenset(OF_RELAY) - {Cause.FLAG_LEFT}
"""Conditions of which a relay has one alarm an entry, called by its id alone."""
