"""What around a relay stands in the way of work on it: what stands in, its bay, its records."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from typing import Final

from poller.model.nameplate import differences
from poller.model.standing import shown
from poller.model.status import Behaviour, Health
from poller.model.work import NoteKind, Work, by_number
from poller.site.settings import Redundant
from poller.work.groups import groups_of, partners, several, short
from poller.work.obstacle import BUSY, Case, Obstacle, untold, word


def _read_back(case: Case) -> Iterator[Obstacle]:
    note = case.work.noted(NoteKind.READ_BACK)
    changed = case.relay.settings_changed_at
    if note is None or note.at < case.work.entered_at:
        says = f"nobody has noted that the configuration of {case.name} was read back"
    elif changed is not None and note.at <= changed:
        says = (
            f"the settings of {case.name} changed after its configuration was read back, so that "
            "the engineering copy is not current"
        )
    else:
        return
    cure = "read the configuration back from the relay, keep it as the engineering copy, note it"
    yield Obstacle(rule="read-back", says=says, cure=cure)


def _partner(case: Case) -> Iterator[Obstacle]:
    for name in partners(case.site, case.name):
        found = list(_out_of_service(case, name))
        if found:
            yield Obstacle(
                rule="partner",
                says=f"{name} stands in for {case.name} meanwhile, but {' and '.join(found)}",
                cure=f"put {name} into service first, and confirm at the relay that it trips",
            )


def _out_of_service(case: Case, name: str) -> Iterator[str]:
    """What speaks against a partner, as far as it can be read."""
    relay = case.state.relays.get(name)
    if relay is None or not relay.listed:
        yield "it is not listed"
        return
    if relay.paused:
        yield "it is paused"
    elif relay.answering is not True:
        yield "it does not answer"
    known = case.site.maps.get(relay.map or "")
    if relay.behaviour is None and not untold(known, "behaviour"):
        yield "its behaviour is not known"
    elif relay.behaviour not in (None, Behaviour.ON):
        yield f"its behaviour is {relay.behaviour.name.lower().replace('_', ' ')}"
    if relay.health is Health.ALARM or "relay_failure" in relay.flags:
        yield "it tells a failure of its own"
    for work in case.state.works_of(name):
        if work.state in BUSY:
            yield f"it is itself worked on ({work.id}, {word(work)})"


def _partner_soak(case: Case) -> Iterator[Obstacle]:
    """By when the partner really came back, which may be later than was planned."""
    for name, group in groups_of(case.site, case.name):
        if not isinstance(group, Redundant) or f"{name}.soak" in case.work.overridden:
            continue
        soak = timedelta(hours=group.soak_h)
        for work in case.state.works.values():
            if work.plan.relay not in group.members or work.plan.relay == case.name:
                continue
            if work.ended_at is not None and case.at - work.ended_at < soak:
                yield Obstacle(
                    rule="partner-soak",
                    says=f"{work.plan.relay} stands in for {case.name}, and {work.id} on it ended "
                    f"less than {group.soak_h} h ago",
                    cure="wait until it has shown for so long what it does",
                )


def _partner_trips(case: Case) -> Iterator[Obstacle]:
    names = partners(case.site, case.name)
    note = case.work.noted(NoteKind.PARTNER_TRIPS)
    since = [name for name in names if note is not None and note.at <= _touched(case, name)]
    if not names or (note is not None and not since):
        return
    if since:
        says = f"{several(since)} changed after it was confirmed to trip"
    else:
        says = f"nobody has confirmed that {several(names)} would trip"
    yield Obstacle(
        rule="partner-trips",
        says=f"{says}; a relay that answers is not thereby a relay that trips",
        cure="look at the relay itself: in service, not blocked, trip circuit healthy; then note "
        "that it trips",
    )


def _touched(case: Case, name: str) -> datetime:
    """When the partner was last changed, or worked on."""
    relay = case.state.relays.get(name)
    times = [] if relay is None else [relay.nameplate_since, relay.settings_changed_at]
    works = (work for work in case.state.works.values() if work.plan.relay == name)
    times += [at for work in works for at in (work.started_at, work.ended_at)]
    return max((at for at in times if at is not None), default=case.work.entered_at)


def _bay(case: Case) -> Iterator[Obstacle]:
    elsewhere: dict[str, Work] = {}
    # few are in hand of all that are on record: those are put in order, not the whole book
    in_hand = [other for other in case.state.works.values() if other.state in BUSY]
    for other in sorted(in_hand, key=lambda one: by_number(one.id)):
        relay = case.state.relays.get(other.plan.relay)
        if other.id == case.work.id or relay is None:
            continue
        if relay.bay != case.relay.bay:
            elsewhere.setdefault(relay.bay, other)
            continue
        itself = other.plan.relay == case.name
        there = "itself" if itself else "in the same bay"
        yield Obstacle(
            rule="bay",
            says=f"{other.id} on {other.plan.relay} {there} is {word(other)}",
            cure="bring that to its end first: verified, or closed with its reason",
        )
    most = case.site.file.work.bays_at_once
    if len(elsewhere) >= most:
        where = several(f"{other.id} in {short(bay)}" for bay, other in elsewhere.items())
        yield Obstacle(
            rule="bays-at-once",
            says=f"there is work under way in other bays ({where}), and the site has it in "
            f"{most} at once",
            cure="bring that to its end first; work.bays_at_once of the site file says how many",
        )


def _baseline(case: Case) -> Iterator[Obstacle]:
    accepted = case.relay.baseline
    if accepted is None:
        yield Obstacle(
            rule="baseline",
            says=f"the nameplate of {case.name} was never accepted as its baseline",
            cure="look at it and accept it, so that it is known what the work changed",
        )
        return
    present = shown(case.relay)
    found = () if present is None else differences(accepted.nameplate, present)
    # another try: what the first one left behind is known
    left = case.work.plan.expects if case.work.tries else {}
    names = [one.attribute for one in found if one.attribute not in left]
    if names:
        yield Obstacle(
            rule="baseline",
            says=f"{case.name} differs from its accepted baseline: {several(names)}",
            cure="find out who changed that and why, then accept the baseline anew",
        )


AROUND_IT: Final[tuple[Callable[[Case], Iterator[Obstacle]], ...]] = (
    _read_back,
    _partner,
    _partner_soak,
    _partner_trips,
    _bay,
    _baseline,
)
