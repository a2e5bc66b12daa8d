"""Judges a run by what truly happened: seven checks, each naming what went wrong.

1 to 6 are those of the issue that asked for the trial; 7 came with alarms (`alarm_oracle`). Work
(`work_oracle`) is told under 1, 2 and 5, wrong times (`told_times`) under 2.

Terms, from the issue that asked for the trial: "happened" is on the wire for the confirmation time;
"readable" is that every block answers right for confirmation plus two intervals. What lasted
shorter may be missed and must never be invented.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any, Final

from poller.journal.chain import Broken
from poller.model import events as ev
from poller.model import limits
from poller.model.events import Change, ChangeClass, Order
from poller.model.firmware_version import order
from poller.model.nameplate import flat
from poller.model.standing import State
from poller.site.settings import Pace, pace
from poller.state import fold
from simulator.scenario import FirmwareUpdate, Replaced, Silent
from tests.trials import alarm_oracle, told_times, work_oracle
from tests.trials.trial import Ran

FOREVER: Final = float("inf")
SLACK_S: Final = 30.0  # requests, rests and reconnects of one visit, at the worst
PROMPT_S: Final = 10.0  # a visit to a relay that answers, and the commit after it
VISIT_S: Final = 60.0  # no visit is longer, however slow its answers
HELD_FROM_SLOTS: Final = 3  # with fewer the connection is closed after each visit
# a link that knows a connection for closed opens another, and nothing is lost or late
HARMLESS: Final = ("idle_close",)
READS: Final = {1, 2, 3, 4, 43}
CHECKS: Final = {
    1: "missed",
    2: "invented",
    3: "published",
    4: "folded",
    5: "manners",
    6: "bounds",
    7: "alarms",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Failure:
    """check: of CHECKS. says: what went wrong, for a person. at: seconds of the loop."""

    check: int
    says: str
    relay: str | None = None
    at: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """A value that was on the wire from start to end."""

    start: float
    end: float
    value: Any


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """A change that the journal tells; at: when it was durable, in seconds of the loop."""

    at: float
    seq: int
    before: Any
    after: Any
    change: ChangeClass | None = None
    order: Order | None = None
    work: str | None = None


def judge(ran: Ran) -> list[Failure]:
    """Every failure found, in the order of the checks."""
    found = [*_missed(ran), *_invented(ran)]
    found += [
        Failure(check=check, says=says, relay=relay, at=at)
        for check, says, relay, at in (
            *work_oracle.faults(ran),
            *alarm_oracle.faults(ran),
            *told_times.faults(ran, _stretches(ran)),
        )
    ]
    for check, wrongs in ((3, _published), (4, _folded), (5, _manners), (6, _bounds)):
        found += [Failure(check=check, says=says) for says in wrongs(ran)]
    return found


# What was true, and what was said.


def _stretches(ran: Ran) -> dict[tuple[str, str], list[Stretch]]:
    """By (relay, attribute) as in the simulator's truth, in order."""
    first = ran.drawn.stage.bench(ran.drawn_start)
    ends = ran.lives[-1][1]
    changes: dict[tuple[str, str], list[tuple[float, Any]]] = defaultdict(list)
    for name, post in first.posts.items():
        for attribute, value in {**post.relay.facts(), "answering": True}.items():
            changes[name, attribute].append((0.0, value))
    for at, truth in ran.truths:
        changes[truth.relay, truth.attribute].append((at, truth.after))
    return {
        key: [
            Stretch(start=at, end=told[n + 1][0] if n + 1 < len(told) else ends, value=value)
            for n, (at, value) in enumerate(told)
        ]
        for key, told in changes.items()
    }


def _said(ran: Ran) -> dict[tuple[str, str], list[Said]]:
    """Changes of the journal by (relay, attribute), first readings included."""
    said: dict[tuple[str, str], list[Said]] = defaultdict(list)
    for one in ran.events:
        at, relay, body = ran.durable_at[one.seq], one.event.subject, one.event.body
        for attribute, told in _changes(body):
            said[relay, attribute].append(replace(told, at=at, seq=one.seq))
    return said


def _changes(body: ev.Body) -> Iterator[tuple[str, Said]]:
    def say(before: Any, after: Any, of: Change | None = None, work: str | None = None) -> Said:
        change, way = (of.change, of.order) if of else (None, None)
        return Said(at=0, seq=0, before=before, after=after, change=change, order=way, work=work)

    match body:
        case ev.NameplateFirstRead():
            for attribute, value in flat(body.nameplate).items():
                yield attribute, say(None, value)
        case ev.NameplateChanged():
            for change in body.changes:
                yield change.attribute, say(change.before, change.after, change, body.work)
        case ev.FlagRose():
            yield f"flag:{body.flag}", say(False, True)
        case ev.FlagFell():
            yield f"flag:{body.flag}", say(True, False)
        case ev.HealthChanged():
            yield "health", say(body.before, body.after)
        case ev.BehaviourChanged():
            yield "behaviour", say(body.before, body.after)
        case ev.RelaySilent():
            yield "answering", say(True, False)
        case ev.RelayAnswering():
            yield "answering", say(False, True)


def _clean(ran: Ran, relay: str, start: float, end: float) -> Iterator[tuple[float, float]]:
    """The parts of a stretch in which the relay could be read and the poller could write."""
    drawn = ran.drawn
    dirty = [
        (w.start, w.end) for w in drawn.windows if w.relay in ("*", relay) and w.why not in HARMLESS
    ]
    if relay.startswith("g"):  # what goes wrong behind a gateway delays the units beside it
        dirty += [(w.start, w.end) for w in drawn.windows if w.relay.startswith("g")]
    dirty += list(drawn.failing) + work_oracle.rested(ran, relay)
    ends = [life[1] for life in ran.lives]
    starts = [life[0] for life in ran.lives[1:]]
    dirty += list(zip(ends, starts, strict=False))
    at = start
    for bad_start, bad_end in sorted(dirty):
        if bad_end <= at:
            continue
        if bad_start >= end:
            break
        if bad_start > at:
            yield at, min(bad_start, end)
        at = max(at, bad_end)
    if at < end:
        yield at, end


def _pace(ran: Ran, relay: str) -> Pace:
    return pace(ran.drawn.site.file.intervals, ran.drawn.site.relay(relay))


def _backoff_s(relay: str) -> float:
    """How long an absent unit behind a gateway may be left alone."""
    return 300.0 if relay.startswith("g") else 0.0


def _due_s(ran: Ran, relay: str, attribute: str, *, after_silence: bool = False) -> float:
    """How long a value must have been readable before it must have been told."""
    kept = _pace(ran, relay)
    visit_s = SLACK_S + _backoff_s(relay)
    if attribute == "answering":
        return (kept.silent_misses + 1) * (kept.status_s + kept.reply_timeout_s) + visit_s
    confirm_s = kept.confirm_after_restart_s + kept.status_s
    if _of_status(attribute):
        # two readings; where firmware moves flags, the map is chosen anew between them
        if len(ran.drawn.site.relay(relay).maps) > 1:
            return 3 * kept.status_s + visit_s
        return 2 * kept.status_s + PROMPT_S + _backoff_s(relay)
    if after_silence:
        return confirm_s + kept.status_s + visit_s
    return kept.nameplate_s + confirm_s + kept.status_s + visit_s


def _of_status(attribute: str) -> bool:
    return attribute.startswith("flag:") or attribute in ("health", "behaviour")


def _came_back_with_it(ran: Ran, relay: str, stretch: Stretch, heard: list[Stretch]) -> bool:
    """The relay was missed, and this value was there when it answered again."""
    kept = _pace(ran, relay)
    least_s = kept.status_s + kept.reply_timeout_s + PROMPT_S
    return any(
        away.value is False and away.end == stretch.start and away.end - away.start > least_s
        for away in heard
    )


# 1. Nothing that lasted is missed, late, or told wrongly.


def _missed(ran: Ran) -> Iterator[Failure]:
    said, true = _said(ran), _stretches(ran)
    for (relay, attribute), stretches in true.items():
        told, heard = said.get((relay, attribute), []), true[relay, "answering"]
        for before, stretch in zip([None, *stretches], stretches, strict=False):
            if before is None or before.value == stretch.value or stretch.value is None:
                continue
            back = _came_back_with_it(ran, relay, stretch, heard)
            due_s = _due_s(ran, relay, attribute, after_silence=back)
            must = _must_be_known(ran, relay, attribute, stretch, due_s, heard)
            if must is not None and not _of_status(attribute) and attribute != "answering":
                anew = _changed_beside(true, relay, stretch.start, must)
                if anew is not None:  # a nameplate is confirmed as a whole, once that was read
                    late, due_s = replace(stretch, start=anew), _due_s(ran, relay, attribute)
                    must = _must_be_known(ran, relay, attribute, late, due_s, heard)
            if must is None:
                continue
            known = _known_at(told, must, stretches[0].value)
            if known != stretch.value:
                says = (
                    f"{relay} {attribute}: {stretch.value!r} from {stretch.start:.0f} s on was "
                    f"readable, and at {must:.0f} s the journal still said {known!r}"
                )
                yield Failure(check=1, says=says, relay=relay, at=must)


def _changed_beside(
    true: dict[tuple[str, str], list[Stretch]], relay: str, start: float, end: float
) -> float | None:
    """When an attribute of its nameplate changed last, between these."""
    found = [
        one.start
        for (name, attribute), stretches in true.items()
        if name == relay and not _of_status(attribute) and attribute != "answering"
        for one in stretches[1:]
        if start < one.start < end
    ]
    return max(found, default=None)


def _must_be_known(
    ran: Ran, relay: str, attribute: str, stretch: Stretch, due_s: float, heard: list[Stretch]
) -> float | None:
    """When at the latest the journal must tell it; None: it may be missed."""
    if attribute == "answering" and stretch.value is False:
        away = [
            (start, end)
            for start, end in ran.lives
            if min(end, stretch.end) - max(start, stretch.start) > due_s
        ]
        blind = [*ran.drawn.failing, *work_oracle.rested(ran, relay)]
        failing = any(s < stretch.end and stretch.start < e for s, e in blind)
        return max(away[0][0], stretch.start) + due_s if away and not failing else None
    answering = [(one.start, one.end) for one in heard if one.value is True]
    for start, end in _clean(ran, relay, stretch.start, stretch.end):
        for up_start, up_end in answering:
            from_, to = max(start, up_start), min(end, up_end)
            if to - from_ > due_s:
                return from_ + due_s
    return None


def _known_at(told: list[Said], at: float, first: Any) -> Any:
    """What the journal said at a time; before its first word, what was true at the start."""
    known = first
    for one in told:
        if one.at > at:
            break
        known = one.after
    return known


# 2. Nothing is told that did not happen.


def _invented(ran: Ran) -> Iterator[Failure]:
    stretches = _stretches(ran)
    for (relay, attribute), told in _said(ran).items():
        true = stretches.get((relay, attribute), [])
        known: Any = None
        for one in told:
            faults = (
                _silence_without_cause(ran, relay, one, true)
                if attribute == "answering"
                else _faults(ran, relay, attribute, true, one, known)
            )
            where = f"event {one.seq}, {relay} {attribute} {one.before!r} -> {one.after!r}"
            for fault in faults:
                yield Failure(check=2, says=f"{where}: {fault}", relay=relay, at=one.at)
            known = one.after
    yield from _other_kinds(ran)


def _faults(
    ran: Ran, relay: str, attribute: str, true: list[Stretch], one: Said, known: Any
) -> Iterator[str]:
    """known: what the journal told last; None before the first."""
    if known is not None and one.before != known:
        yield f"the journal said {known!r} before"
    if one.after is None:
        yield "erased memory is not read, and never a change"
    if not _was_on_the_wire(ran, relay, attribute, true, one):
        yield "it was not on the wire for the confirmation"
    yield from _wrongly_classed(ran, relay, attribute, one)


def _was_on_the_wire(ran: Ran, relay: str, attribute: str, true: list[Stretch], one: Said) -> bool:
    """The value stood for the confirmation, and was read within it. Without a break, but for memory
    that was erased and written again as it was."""
    kept = _pace(ran, relay)
    least_s = 0.0 if _of_status(attribute) else kept.confirm_s
    late_s = SLACK_S + sum(e - s for s, e in ran.drawn.failing if s <= one.at) + 5
    began: dict[Any, float] = {}  # of the values that nothing but erased memory came after
    for stretch in true:
        if stretch.value is not None:
            began = {stretch.value: began.get(stretch.value, stretch.start)}
        if (
            stretch.value == one.after
            and stretch.start <= one.at
            and stretch.end >= one.at - late_s
            and min(stretch.end, one.at) - began.get(stretch.value, stretch.start) >= least_s - 1
        ):
            return True
    return False


def _silence_without_cause(ran: Ran, relay: str, one: Said, heard: list[Stretch]) -> Iterator[str]:
    if one.after is True:
        return
    kept = _pace(ran, relay)
    span_s = (kept.silent_misses + 1) * (kept.status_s + 2 * kept.reply_timeout_s)
    span_s += SLACK_S + 3 * _backoff_s(relay) + sum(e - s for s, e in ran.drawn.failing)
    away = [(stretch.start, stretch.end) for stretch in heard if stretch.value is False]
    troubled = [
        (w.start, w.end)
        for w in ran.drawn.windows
        if w.relay == relay or (relay.startswith("g") and w.relay.startswith("g"))
    ]
    if not any(start <= one.at and end >= one.at - span_s for start, end in away + troubled):
        yield "it answered all the time"
    answered = ran.net.answered.get(relay, [])
    last = answered[bisect_right(answered, one.at) - 1] if answered else -FOREVER
    failing = any(start <= one.at <= end + SLACK_S for start, end in ran.drawn.failing)
    if not failing and last <= one.at < last + (kept.silent_misses - 1) * kept.status_s - 1:
        yield f"{one.at - last:.0f} s before that it answered as it should"


def _wrongly_classed(ran: Ran, relay: str, attribute: str, one: Said) -> Iterator[str]:
    """Class and order, worked out here again from the attribute and the values."""
    if one.change is None:
        return
    last = attribute.rsplit(".", 1)[-1]
    if last == "swRev":
        layout = relay.split("-", 1)[1]
        way = order(one.before, one.after, ran.drawn.site.maps[layout].version_scheme)
        expected = work_oracle.expected(ran, relay, one.work, one.after) or {
            Order.OLDER: ChangeClass.DOWNGRADED,
            Order.TEXT_ONLY: ChangeClass.TEXT_ONLY,
        }.get(way, ChangeClass.UNPLANNED)
        if (one.order, one.change) != (way, expected):
            yield f"it is called {one.change}, {one.order}; it is {expected}, {way}"
        yield from work_oracle.judged_rightly(ran, relay, one.work, one.at)
        return
    classes = {"serNum": ChangeClass.REPLACED, "configRev": ChangeClass.SETTINGS}
    if last in classes and one.change != classes[last]:
        yield f"it is called {one.change}"


def _other_kinds(ran: Ran) -> Iterator[Failure]:
    """Kinds that no story of a trial leads to."""
    for one in ran.events:
        body, relay = one.event.body, one.event.subject
        at = ran.durable_at[one.seq]
        if isinstance(body, ev.NoValidMap | ev.SerialDuplicated):
            says = f"event {one.seq}: {body.kind} for {relay}"
            yield Failure(check=2, says=says, relay=relay, at=at)
        if isinstance(body, ev.RelayRestarted) and not _restarts(ran, relay):
            says = f"event {one.seq}: {relay} is said to have restarted"
            yield Failure(check=2, says=says, relay=relay, at=at)


def _restarts(ran: Ran, relay: str) -> bool:
    return any(
        scene.relay == relay
        and (
            isinstance(scene, FirmwareUpdate | Replaced)
            or (isinstance(scene, Silent) and scene.restarted)
        )
        for scene in ran.drawn.stage.scenario.story
    )


# 3. What was published is exactly the journal.


def _published(ran: Ran) -> Iterator[str]:
    ids = {one.seq: one.id for one in ran.events}
    told = ran.peer.told
    highest = 0
    for before, one in zip([None, *told], told, strict=False):
        if ids.get(one.seq) != one.id:
            yield f"seq {one.seq} was published as {one.id}; the journal has {ids.get(one.seq)}"
        if one.at < ran.durable_at.get(one.seq, FOREVER):
            yield f"seq {one.seq} was published at {one.at:.3f} s, before it was durable"
        if one.seq > highest + 1:
            yield f"seq {one.seq} was published and {highest + 1} never before it"
        repeated = before is not None and one.seq <= before.seq
        if repeated and before is not None and before.life == one.life:
            lost = any(
                start <= one.at + 5 and one.at - 60 <= end for start, end in ran.drawn.broker_away
            )
            if not lost:
                yield f"seq {one.seq} was published again at {one.at:.0f} s"
        highest = max(highest, one.seq)
    if highest != len(ran.events):
        yield f"{len(ran.events)} events are in the journal, {highest} were published"


# 4. State is the fold; the chain is whole.


def _folded(ran: Ran) -> Iterator[str]:
    whole = fold(State(), ((one.seq, one.event) for one in ran.events))
    if whole != ran.durable:
        yield f"the live state is not the fold of the journal: {_difference(whole, ran.durable)}"
    if whole != ran.state:
        yield f"the state that judging worked on differs: {_difference(whole, ran.state)}"
    if ran.reader.load_state() != whole:
        yield "the state loaded from snapshot and tail is not the fold of the journal"
    verified = ran.reader.verify()
    if isinstance(verified, Broken):
        yield f"the chain is broken at {verified.seq}: {verified.reason}"


def _difference(one: State, other: State) -> str:
    for name in one.relays.keys() | other.relays.keys():
        if one.relays.get(name) != other.relays.get(name):
            return f"{name}: {one.relays.get(name)} and {other.relays.get(name)}"
    return f"seq {one.seq} and {other.seq}"


# 5. Manners: only reads, within the slots, with rests.


def _manners(ran: Ran) -> Iterator[str]:
    last: dict[tuple[str, int], float] = {}
    for one in ran.net.asked:
        if one.function not in READS:
            yield f"{one.place} received function code {one.function}"
        gap_s = one.at - last.get(one.place, -FOREVER)
        if gap_s < ran.rest_s - 1e-6:
            yield f"{one.place}: two requests {gap_s * 1000:.0f} ms apart at {one.at:.1f} s"
        last[one.place] = one.at
    for place, site in ran.net.places.items():
        most = ran.net.most_connections.get(place, 0)
        if most > site.slots:
            yield f"{place} had {most} connections, its slots are {site.slots}"
        held_s = ran.net.longest_held.get(place, 0.0)
        if site.slots < HELD_FROM_SLOTS and not site.gateway and held_s > VISIT_S:
            yield f"{place} has {site.slots} slots, and one was held for {held_s:.0f} s"


# 6. Every queue stayed within its bound.


def _bounds(ran: Ran) -> Iterator[str]:
    # a batch is whole or not at all: the last one put may pass the bound by its own events
    if ran.most_waiting > ran.drawn.waiting_max + limits.COMMIT_BATCH_MAX:
        yield f"{ran.most_waiting} events waited for the journal"
