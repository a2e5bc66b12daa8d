"""What follows from an input, as events. Pure: equal state, site, input and now, equal events.

Inputs are findings about a relay, what happens to the service, and what people ask for.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final, NamedTuple, TypeAlias, get_args

from poller import people
from poller.alarms import book as alarm_book
from poller.alarms import points
from poller.alarms.requests import AlarmRequest
from poller.judging import findings as found
from poller.judging import firmware_status, judge
from poller.model import events as ev
from poller.model.canonical import whole_ms
from poller.model.nameplate import flat, from_flat
from poller.model.near import unlisted
from poller.model.refusal import Refusal as Refusal  # noqa: PLC0414 - decide raises it
from poller.model.standing import Relay, State, shown
from poller.model.status import StatusReading
from poller.people import Passed, UserRequest
from poller.site.settings import RelayEntry, Site
from poller.state import fold
from poller.work import book, watching
from poller.work.requests import Attend, Request


@dataclass(frozen=True, slots=True, kw_only=True)
class About:
    """A finding about a relay."""

    relay: str
    finding: found.Finding


@dataclass(frozen=True, slots=True, kw_only=True)
class Started:
    """boot: as in events.ServiceStarted."""

    version: str
    boot: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteRead:
    """The site file was read again while running."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stopping:
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Stepped:
    by_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    output: str
    first_seq: int
    last_seq: int


@dataclass(frozen=True, slots=True, kw_only=True)
class AcceptBaseline:
    """The present nameplate of these relays becomes their baseline."""

    relays: tuple[str, ...]
    why: str
    reference: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class EnterReading:
    """A front-panel reading. values: names as in nameplate.flat."""

    relay: str
    values: dict[str, str]
    read_at: datetime
    reference: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Pause:
    relay: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Resume:
    relay: str


Command: TypeAlias = (
    AcceptBaseline | EnterReading | Pause | Resume | Request | AlarmRequest | UserRequest
)
Input: TypeAlias = About | Started | SiteRead | Stopping | Stepped | Gap | Command | Passed | Attend
Decided: TypeAlias = list[tuple[str, ev.Body]]


class Decision(NamedTuple):
    """Events that follow, in order, perhaps none; and the state after them."""

    events: tuple[ev.Event, ...]
    after: State


@dataclass(frozen=True, slots=True, kw_only=True)
class Present:
    """What is so now and stands in no event. readings: the last status reading of each relay."""

    at: datetime
    readings: Mapping[str, StatusReading]


def decide(
    state: State,
    site: Site,
    given: Input,
    now: datetime,
    *,
    by: str | None = None,
    cause: str | None = None,
    readings: Mapping[str, StatusReading] | None = None,
) -> Decision:
    """What follows from one input. Raises Refusal for a command only.

    by: the person who gave a command; cause: the id of the command. readings: as in Present; what
    can't be read is as if no relay answered.
    """
    present = Present(at=whole_ms(now), readings=readings or {})
    told = DECISIONS[type(given)](state, site, given, present)
    events = [
        ev.Event(at=present.at, subject=subject, body=body, cause=cause, by=by)
        for subject, body in told
    ]
    return _with_consequences(state, site, events) if events else Decision((), state)


Follower: TypeAlias = Callable[[State, State, Site, Sequence[ev.Event], datetime], Decided]

FOLLOWS: Final[tuple[Follower, ...]] = (
    firmware_status.follow,
    watching.follow,
    alarm_book.follow,
    points.follow,
)
"""Who looks at what an input changed, each at what came of those before it as well."""


def _with_consequences(state: State, site: Site, events: list[ev.Event]) -> Decision:
    """No person did what follows, so none is named; the cause is the same."""
    first = events[0]
    after = fold(state, enumerate(events, state.seq + 1))
    for follow in FOLLOWS:
        more = [
            ev.Event(at=first.at, subject=subject, body=body, cause=first.cause)
            for subject, body in follow(state, after, site, events, first.at)
        ]
        after = fold(after, enumerate(more, after.seq + 1)) if more else after
        events = [*events, *more]
    return Decision(tuple(events), after)


def _started(state: State, site: Site, given: Started, present: Present) -> Decided:
    began = ev.ServiceStarted(version=given.version, boot=given.boot, unstopped=state.running)
    out: Decided = [("", began)]
    return out + _site_events(state, site)


def _site_events(state: State, site: Site) -> Decided:
    """What a site file says that the journal does not know yet."""
    out: Decided = []
    if site.sha256 != state.site_sha256:
        loaded = ev.SiteLoaded(site=site.file.site, sha256=site.sha256, files=dict(site.texts))
        out.append(("", loaded))
    for entry in site.file.relays:
        relay, listed = state.relays.get(entry.id), _listed(entry)
        if relay is None or not relay.listed or _listing(relay) != listed:
            out.append((entry.id, listed))
    wanted = {entry.id for entry in site.file.relays}
    for name, relay in sorted(state.relays.items()):
        if relay.listed and name not in wanted:
            out += _namesakes(state, name, None)
            out.append((name, ev.RelayDelisted()))
    return out


def _listed(entry: RelayEntry) -> ev.RelayListed:
    address = f"{entry.host}:{entry.port}/{entry.unit}"
    return ev.RelayListed(bay=entry.bay, function=entry.function, address=address)


def _listing(relay: Relay) -> ev.RelayListed:
    return ev.RelayListed(bay=relay.bay, function=relay.function, address=relay.address)


def _about(state: State, site: Site, given: About, present: Present) -> Decided:
    relay = state.relays.get(given.relay)
    if relay is None or not relay.listed:
        return []  # delisted while its last answer was under way
    return FOUND[type(given.finding)](state, site, given.relay, relay, given.finding)


def _believed(
    state: State, site: Site, name: str, relay: Relay, finding: found.Believed
) -> Decided:
    out: Decided = []
    if relay.map != finding.map:
        out.append((name, ev.MapChosen(map=finding.map, before=relay.map)))
    first_new_at = whole_ms(finding.first_new_at)
    if relay.nameplate is None:
        body: ev.Body = ev.NameplateFirstRead(
            nameplate=finding.nameplate, map=finding.map, first_new_at=first_new_at
        )
        return [*out, (name, body), *_namesakes(state, name, finding.nameplate.serNum)]
    scheme = site.maps[finding.map].version_scheme
    changes = judge.classify(relay.nameplate, finding.nameplate, scheme, finding.covers)
    if not changes:
        return out
    work = watching.judged_against(state, site, name, first_new_at)
    if work is not None:
        changes = watching.classify(changes, work, site, finding.nameplate)
    body = ev.NameplateChanged(
        change=judge.most_serious(changes),
        changes=changes,
        nameplate=finding.nameplate,
        map=finding.map,
        last_old_at=finding.last_old_at and whole_ms(finding.last_old_at),
        first_new_at=first_new_at,
        relay_time=finding.relay_time and whole_ms(finding.relay_time),
        work=None if work is None else work.id,
    )
    return [*out, (name, body), *_namesakes(state, name, finding.nameplate.serNum)]


def _namesakes(state: State, name: str, serial: str | None) -> Decided:
    """Positions whose list of namesakes changes when name tells this serial number, or none."""
    same = () if serial is None else tuple(sorted(_telling(state, serial) - {name}))
    out: Decided = []
    own = state.relays[name].duplicates
    if same != own:
        out.append((name, ev.SerialDuplicated(serNum=serial, others=same)))
    for other in sorted({*same, *own} - {name}):
        relay = state.relays.get(other)
        if relay is None or not relay.listed:
            continue
        rest = {*relay.duplicates} - {name} | ({name} if other in same else set())
        after = tuple(sorted(rest))
        if after != relay.duplicates:
            number = relay.nameplate.serNum if relay.nameplate is not None else None
            out.append((other, ev.SerialDuplicated(serNum=number, others=after)))
    return out


def _telling(state: State, serial: str) -> set[str]:
    """Listed relays that tell this serial number."""
    return {
        name
        for name, relay in state.relays.items()
        if relay.nameplate is not None and relay.nameplate.serNum == serial and relay.listed
    }


def _no_map(state: State, site: Site, name: str, relay: Relay, finding: Any) -> Decided:
    if relay.misfit == finding.identity:
        return []
    return [(name, ev.NoValidMap(identity=finding.identity, before=relay.map))]


def _edges(state: State, site: Site, name: str, relay: Relay, finding: found.Edges) -> Decided:
    first_new_at = whole_ms(finding.first_new_at)
    last_old_at = finding.last_old_at and whole_ms(finding.last_old_at)
    out: Decided = []
    for flag, stands in sorted(finding.flags.items()):
        if stands and flag not in relay.flags:
            says = _flag_sentence(site, relay, flag)
            rose = ev.FlagRose(
                flag=flag, says=says, last_old_at=last_old_at, first_new_at=first_new_at
            )
            out.append((name, rose))
        elif not stands and flag in relay.flags:
            fell = ev.FlagFell(flag=flag, last_old_at=last_old_at, first_new_at=first_new_at)
            out.append((name, fell))
    if finding.health not in (None, relay.health):
        out.append((name, ev.HealthChanged(before=relay.health, after=finding.health)))
    if finding.behaviour not in (None, relay.behaviour):
        out.append((name, ev.BehaviourChanged(before=relay.behaviour, after=finding.behaviour)))
    if finding.setting_group not in (None, relay.setting_group):
        group = ev.SettingGroupChanged(before=relay.setting_group, after=finding.setting_group)
        out.append((name, group))
    return out


def _flag_sentence(site: Site, relay: Relay, flag: str) -> str:
    candidates = [relay.map] if relay.map else []
    for used in (*candidates, *site.maps):
        meaning = site.maps[used].flags.get(flag) if used in site.maps else None
        if meaning is not None:
            return meaning.says
    return flag


def _silent(state: State, site: Site, name: str, relay: Relay, finding: found.Silent) -> Decided:
    if relay.answering is False:
        return []
    at = finding.last_answer_at and whole_ms(finding.last_answer_at)
    return [(name, ev.RelaySilent(last_answer_at=at, reason=finding.reason))]


def _answering(state: State, site: Site, name: str, relay: Relay, finding: Any) -> Decided:
    if relay.answering:
        return []
    since = relay.answering_since if relay.answering is False else None
    return [(name, ev.RelayAnswering(silent_since=since))]


def _unreadable(state: State, site: Site, name: str, relay: Relay, finding: Any) -> Decided:
    if relay.unreadable_since is not None:
        return []
    unreadable = ev.IdentityUnreadable(since=whole_ms(finding.since), reason=finding.reason)
    return [(name, unreadable)]


def _readable(state: State, site: Site, name: str, relay: Relay, finding: Any) -> Decided:
    return [] if relay.unreadable_since is None else [(name, ev.IdentityReadable())]


def _restarted(state: State, site: Site, name: str, relay: Relay, finding: Any) -> Decided:
    body = ev.RelayRestarted(uptime_before_s=finding.uptime_before_s, uptime_s=finding.uptime_s)
    return [(name, body)]


def _seen(state: State, site: Site, name: str, relay: Relay, finding: found.Seen) -> Decided:
    if relay.seen_day == finding.day:
        return []
    return [(name, ev.RelaySeen(day=finding.day, reads_before=finding.reads))]


def _reread(state: State, site: Site, name: str, relay: Relay, finding: Any) -> Decided:
    return watching.reread(state, name)


def _noted(state: State, site: Site, name: str, relay: Relay, finding: found.Noted) -> Decided:
    if finding.finding in relay.findings:
        return []
    return [(name, ev.FindingNoted(finding=finding.finding, says=finding.says))]


FOUND: Final[dict[type, Callable[[State, Site, str, Relay, Any], Decided]]] = {
    found.Believed: _believed,
    found.NoMapFits: _no_map,
    found.Edges: _edges,
    found.Restarted: _restarted,
    found.Silent: _silent,
    found.Answering: _answering,
    found.Unreadable: _unreadable,
    found.Readable: _readable,
    found.Seen: _seen,
    found.Reread: _reread,
    found.Noted: _noted,
}


def _listed_relay(state: State, name: str) -> Relay:
    relay = state.relays.get(name)
    if relay is None or not relay.listed:
        raise unlisted(name, state.relays)
    return relay


def _accept(state: State, site: Site, given: AcceptBaseline, present: Present) -> Decided:
    out: Decided = []
    for name in given.relays:
        nameplate = shown(_listed_relay(state, name))
        if nameplate is None:
            raise Refusal(
                f"{name}: no nameplate has been read or entered yet, so there is nothing to accept"
            )
        body = ev.BaselineAccepted(nameplate=nameplate, why=given.why, reference=given.reference)
        out.append((name, body))
    return out


def _enter(state: State, site: Site, given: EnterReading, present: Present) -> Decided:
    _listed_relay(state, given.relay)
    from_flat(given.values)  # a name that is no attribute is a Refusal before it gets here
    body = ev.ReadingEntered(
        values=flat(from_flat(given.values)),
        read_at=whole_ms(given.read_at),
        reference=given.reference,
    )
    return [(given.relay, body)]


def _pause(state: State, site: Site, given: Pause, present: Present) -> Decided:
    if _listed_relay(state, given.relay).paused:
        raise Refusal(f"{given.relay}: it is paused already")
    return [(given.relay, ev.RelayPaused(why=given.why))]


def _resume(state: State, site: Site, given: Resume, present: Present) -> Decided:
    if not _listed_relay(state, given.relay).paused:
        raise Refusal(f"{given.relay}: it is not paused")
    return [(given.relay, ev.RelayResumed())]


def _booked(state: State, site: Site, given: Request, present: Present) -> Decided:
    return book.decided(state, site, given, present.at, present.readings)


def _attended(state: State, site: Site, given: Attend, present: Present) -> Decided:
    return [
        *book.decided(state, site, given, present.at, present.readings),
        *alarm_book.attended(state, site, present.at, given.own),
    ]


def _of_alarms(state: State, site: Site, given: AlarmRequest, present: Present) -> Decided:
    return alarm_book.decided(state, site, given, present.at)


def _of_people(state: State, site: Site, given: UserRequest, present: Present) -> Decided:
    return people.decided(state, given)


DECISIONS: Final[dict[type, Callable[[State, Site, Any, Present], Decided]]] = {
    About: _about,
    Started: _started,
    SiteRead: lambda state, site, given, present: _site_events(state, site),
    Stopping: lambda state, site, given, present: [("", ev.ServiceStopped(reason=given.reason))],
    Stepped: lambda state, site, given, present: [("", ev.ClockStepped(by_ms=given.by_ms))],
    Gap: lambda state, site, given, present: [
        (
            "",
            ev.OutputGap(output=given.output, first_seq=given.first_seq, last_seq=given.last_seq),
        )
    ],
    AcceptBaseline: _accept,
    EnterReading: _enter,
    Pause: _pause,
    Resume: _resume,
    **dict.fromkeys(get_args(Request), _booked),
    **dict.fromkeys(get_args(AlarmRequest), _of_alarms),
    **dict.fromkeys(get_args(UserRequest), _of_people),
    Passed: lambda state, site, given, present: [("", given.body)],
    Attend: _attended,
}
