"""The book of alarms: what follows for each from what changed, from time, and from people."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from functools import reduce
from typing import Any, Final, TypeAlias

from poller.alarms import conditions, covers, silence
from poller.alarms import requests as ask
from poller.alarms.folds import folded
from poller.alarms.following import Follower, followed
from poller.alarms.states import BEGIN, END, inhibits
from poller.model import limits
from poller.model.alarms import (
    OF_SEVERAL,
    OF_THE_POLLER,
    Alarm,
    Cause,
    Condition,
    Happening,
    Inhibit,
    Own,
    Timer,
)
from poller.model.events import Body, Event, ServiceStarted, TimerSet
from poller.model.refusal import Refusal
from poller.model.standing import State, away
from poller.model.work import ENDED
from poller.site.alarm_catalogue import Catalogue
from poller.site.settings import Site
from poller.site.shipped_alarms import catalogue_of

Decided: TypeAlias = list[tuple[str, Body]]
LOOKS_S: Final = 120  # two looks at a relay, which is asked every minute by custom


def follow(
    before: State, after: State, site: Site, events: Sequence[Event], at: datetime
) -> Decided:
    """What follows from events: for their relays, and for what relays have in common.

    All relays are looked at where the site is another.
    """
    catalogue = catalogue_of(site)
    out: Decided = []
    if any(isinstance(event.body, ServiceStarted) for event in events):
        out = _again(after, site, catalogue, at)
        told = [Event(at=at, subject=subject, body=body) for subject, body in out]
        after = replace(after, alarms=reduce(folded, told, after.alarms))
    seen = conditions.scene(after, site, catalogue, at)
    standing = [alarm for alarm in after.alarms.values() if alarm.stands]
    gone: set[str] = set()
    if before.site_sha256 != after.site_sha256:
        names = set(after.relays)
        gone = conditions.of_outputs_gone(catalogue, site, standing)
    else:
        names = {event.subject for event in events} & after.relays.keys()
    several = {one.id for cause in OF_SEVERAL for one in catalogue.of(cause)}
    names |= _with_others(seen, standing)  # who is let go again waits for a look
    found = [*conditions.of_relays(seen, sorted(names)), *conditions.of_several(seen)]
    concerned = [
        alarm
        for alarm in standing
        if alarm.subject in names or alarm.entry in several or alarm.id in gone
    ]
    return out + _judged(after, catalogue, found, concerned, len(standing), at)


def _with_others(seen: conditions.Scene, standing: Iterable[Alarm]) -> set[str]:
    """Relays with an alarm of their own, whose silence is told with that of others from now on."""
    alone = {one.id for one in seen.catalogue.of(Cause.SILENT)}
    told = {one.subject for one in standing if one.entry in alone}
    return told & seen.silence.with_others


def _again(state: State, site: Site, catalogue: Catalogue, at: datetime) -> Decided:
    """A delay that ran out while nobody looked runs on until relays have been asked again."""
    delays = {entry.id: entry.on_delay_s for entry in catalogue.entries}
    over = {
        name: alarm
        for name, alarm in sorted(state.alarms.items())
        if alarm.on_until is not None and alarm.on_until <= at
    }
    seen = conditions.scene(state, site, catalogue, at)
    holding = conditions.of_relays(seen, sorted({alarm.subject for alarm in over.values()}))
    later = {one.alarm: one.later_s for one in holding}
    out: Decided = []
    for name, alarm in over.items():
        delay_s = delays.get(alarm.entry, 0) + later.get(name, 0)
        until = at + timedelta(seconds=min(delay_s, LOOKS_S))
        body = TimerSet(alarm=name, entry=alarm.entry, timer=Timer.ON_DELAY, until=until)
        out.append((alarm.subject, body))
    return out


def due(state: State, site: Site, at: datetime) -> bool:
    """Time alone brings something now: attended() is to be asked."""
    return any(_due(state, alarm, at) for alarm in state.alarms.values()) or bool(
        _let_go(state, catalogue_of(site)) | _silent_at_work(state)
    )


def _let_go(state: State, catalogue: Catalogue) -> set[str]:
    """Silent relays that no alarm of their own tells of, or none that is to stay: others do, and
    perhaps no longer.
    """
    entries = catalogue.of(Cause.SILENT)
    found = {name for name in away(state.relays) if silence.silent(state.relays[name])}
    for entry in entries:
        alarms = {name: state.alarms.get(f"{name}.{entry.id}") for name in found}
        found -= {
            name
            for name, alarm in alarms.items()
            if alarm is not None
            and (alarm.on_until is not None or (alarm.active and alarm.off_until is None))
        }
    return found if entries else set()


def _silent_at_work(state: State) -> set[str]:
    """Work may have made them so; once its window is over, they count with others that are."""
    worked_on = {work.plan.relay for work in state.works.values() if work.state not in ENDED}
    return {name for name in worked_on & state.relays.keys() if silence.silent(state.relays[name])}


def _due(state: State, alarm: Alarm, at: datetime) -> bool:
    """A delay or a limit of it has run out, or that of the work that keeps it back."""
    on, off, held = alarm.on_until, alarm.off_until, alarm.inhibits
    if (on is not None and on <= at) or (off is not None and off <= at):
        return True
    if held.shelved is not None and held.shelved.until is not None and held.shelved.until <= at:
        return True
    if held.suppressed is None:
        return False
    work = state.works.get(held.suppressed.why)
    return work is None or not covers.covers(work, at)


def attended(state: State, site: Site, at: datetime, own: Collection[Own] = ()) -> Decided:
    """What time brings, and what is so and stands in no event; every few seconds.

    Of all else nothing is to be told: it was, with the event that brought it about. own: what is
    known of the poller itself; an alarm of which nothing is told stays as it is, but that of an
    output which the site has no more.
    """
    catalogue = catalogue_of(site)
    names = _let_go(state, catalogue) | _silent_at_work(state)
    concerned = {one.id: one for one in state.alarms.values() if _due(state, one, at)}
    if not (names or concerned or own):
        return []
    seen = conditions.scene(state, site, catalogue, at)
    facts = [fact for fact in own if fact.cause in OF_THE_POLLER][: limits.OWN_FACTS_MAX]
    standing = [alarm for alarm in state.alarms.values() if alarm.stands]
    names |= {alarm.subject for alarm in concerned.values()} | _with_others(seen, standing)
    found = [
        *conditions.of_relays(seen, sorted(names)),
        *conditions.of_several(seen),
        *conditions.of_the_poller(catalogue, facts),
    ]
    ours = {entry.id for cause in OF_THE_POLLER for entry in catalogue.of(cause)}
    known = {conditions.own_id(entry, fact) for fact in facts for entry in catalogue.of(fact.cause)}
    known |= conditions.of_outputs_gone(catalogue, site, standing)
    several = {one.id for cause in OF_SEVERAL for one in catalogue.of(cause)}
    concerned |= {
        alarm.id: alarm
        for alarm in standing
        if alarm.subject in names or alarm.entry in several or alarm.id in known
    }
    told = [one for one in concerned.values() if one.entry not in ours or one.id in known]
    return _judged(state, catalogue, found, told, len(standing), at)


def _judged(
    state: State,
    catalogue: Catalogue,
    found: Iterable[Condition],
    concerned: Iterable[Alarm],
    standing: int,
    at: datetime,
) -> Decided:
    """concerned: alarms to follow even where their condition is not among those found. standing:
    how many do."""
    holding = {condition.alarm: condition for condition in found}
    entries = {entry.id: entry for entry in catalogue.entries}
    names = sorted(holding.keys() | {alarm.id for alarm in concerned})
    room = limits.ALARMS_KEPT - standing
    out: Decided = []
    for name in names:
        condition = holding.get(name)
        alarm = state.alarms.get(name)
        if alarm is None or not alarm.stands:
            if room <= 0:
                continue  # nobody reads such a list; what changed is on record all the same
            room -= 1
        if alarm is None:
            assert condition is not None, "an alarm that is not known has a condition"
            alarm = _new(name, condition.entry, condition.subject, at)
        entry = entries.get(alarm.entry)
        out += [(alarm.subject, body) for body in followed(alarm, condition, entry, catalogue, at)]
    return out


def _new(name: str, entry: str, subject: str, at: datetime) -> Alarm:
    return Alarm(id=name, entry=entry, subject=subject, since=at)


# What people ask.


def decided(state: State, site: Site, request: ask.AlarmRequest, at: datetime) -> Decided:
    """Events by subject, in order. Raises Refusal, with why."""
    catalogue = catalogue_of(site)
    alarm = _known(state, catalogue, request.alarm, at)
    entry = next((one for one in catalogue.entries if one.id == alarm.entry), None)

    def step(one: Follower) -> None:
        ANSWERS[type(request)](one, request)

    told = followed(alarm, _now(state, site, catalogue, alarm, at), entry, catalogue, at, step)
    return [(alarm.subject, body) for body in told]


def _known(state: State, catalogue: Catalogue, name: str, at: datetime) -> Alarm:
    """An alarm of the book; else one that a relay of the site can have, which never was."""
    if name in state.alarms:
        return state.alarms[name]
    subject, _, rest = name.partition(".")
    relay = state.relays.get(subject)
    entry = next((one for one in catalogue.entries if rest == one.id), None)
    if relay is None or not relay.listed or entry is None or entry.cause not in conditions.ONE_EACH:
        raise Refusal(f"{name}: no such alarm; see: bayroll alarms --all")
    return _new(name, entry.id, subject, at)


def _now(
    state: State, site: Site, catalogue: Catalogue, alarm: Alarm, at: datetime
) -> Condition | None:
    """The condition of this alarm, where it can be told without facts of the poller's own."""
    seen = conditions.scene(state, site, catalogue, at)
    found = [*conditions.of_relays(seen, [alarm.subject]), *conditions.of_several(seen)]
    return next((one for one in found if one.alarm == alarm.id), None)


def _acknowledged(one: Follower, request: ask.AckAlarm) -> None:
    over = one.catalogue.acknowledged_over
    if request.over != over:
        raise Refusal(f"{one.alarm.id}: alarms of this site are acknowledged over {over} only")
    one.move(Happening.ACKNOWLEDGED, request.why)


def _shelved(one: Follower, request: ask.ShelveAlarm) -> None:
    most = one.catalogue.shelving_max_h
    if not 0 < request.for_s <= most * 3_600:
        raise Refusal(f"{one.alarm.id}: an alarm is shelved for a while, {most} h at most")
    if inhibits(one.alarm, Inhibit.SHELVED, BEGIN):
        until = one.at + timedelta(seconds=request.for_s)
        one.inhibit(Inhibit.SHELVED, until, request.why)


def _unshelved(one: Follower, request: ask.UnshelveAlarm) -> None:
    if inhibits(one.alarm, Inhibit.SHELVED, END):
        one.release(Inhibit.SHELVED, request.why)


def _taken_out(one: Follower, request: ask.TakeOutOfService) -> None:
    if inhibits(one.alarm, Inhibit.OUT_OF_SERVICE, BEGIN):
        one.inhibit(Inhibit.OUT_OF_SERVICE, None, request.why)


def _returned(one: Follower, request: ask.ReturnToService) -> None:
    if inhibits(one.alarm, Inhibit.OUT_OF_SERVICE, END):
        one.release(Inhibit.OUT_OF_SERVICE, request.why)


def _reset(one: Follower, request: ask.ResetLatch) -> None:
    if not one.alarm.latched:
        why = "its condition still stands" if one.alarm.active else "nothing holds it"
        raise Refusal(f"{one.alarm.id}: there is nothing to reset: {why}")
    one.over(request.why)


ANSWERS: Final[dict[type, Callable[[Follower, Any], None]]] = {
    ask.AckAlarm: _acknowledged,
    ask.ShelveAlarm: _shelved,
    ask.UnshelveAlarm: _unshelved,
    ask.TakeOutOfService: _taken_out,
    ask.ReturnToService: _returned,
    ask.ResetLatch: _reset,
}
