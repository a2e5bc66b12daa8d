"""Judges a run by the work that people did in it: classes, moves, proof, and a relay left alone.

Beside the six checks of `oracle`, and told under their numbers: what must come out (1), what must
not be said (2), and that a relay that somebody works on is not asked (5).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from datetime import timedelta
from typing import Final, TypeAlias

from poller.model import events as ev
from poller.model.events import ChangeClass
from poller.model.work import WorkState
from simulator.scenario import FirmwareUpdate
from tests.trials.hands import Done
from tests.trials.trial import START, Ran

Fault: TypeAlias = tuple[int, str, str | None, float | None]
"""check, what went wrong, relay, seconds of the loop."""
ASKED_S: Final = 1.0  # from the answer to a start on, nothing more leaves for the relay
FOREVER: Final = float("inf")
CLOCK_S: Final = 3.0  # drift of a soak, and how it is rounded
LATE_S: Final = 40.0  # a look at open work, a commit, a visit
FLAGS: Final = ("firmware_changed", "hardware_changed", "settings_changed", "restart_pending")
RIGHT: Final[dict[str, object]] = {
    "health": 1,
    "behaviour": 1,
    **dict.fromkeys((f"flag:{flag}" for flag in FLAGS), False),
}
"""What the status has to tell before work is verified."""


def faults(ran: Ran) -> Iterator[Fault]:
    """Everything that is wrong with how work was kept."""
    yield from _investigated(ran)
    yield from _proof(ran)
    yield from _outcomes(ran)
    yield from _held(ran)
    yield from _left_alone(ran)


def rested(ran: Ran, relay: str) -> list[tuple[float, float]]:
    """When people worked on it: it was not polled, and what was true then may be missed."""
    found = []
    for done in ran.hands:
        if done.errand.relay == relay and done.work is not None:
            end = FOREVER if done.ended is None else done.ended + 1
            found.append((done.errand.started_at, end))
    return found


def expected(ran: Ran, relay: str, work: str | None, after: str) -> ChangeClass | None:
    """The class of a version that was judged against work; None: as if there were none."""
    done = _of(ran, relay, work)
    if done is None:
        return None
    return ChangeClass.PLANNED if after == done.errand.to else ChangeClass.WRONG_VERSION


def judged_rightly(ran: Ran, relay: str, work: str | None, at: float) -> Iterator[str]:
    """at: when the change was durable."""
    if work is not None:
        done = _of(ran, relay, work)
        if done is None:
            yield f"it is judged against {work}, which nobody planned for this relay"
        return
    for done in ran.hands:
        if done.errand.relay != relay or done.started is None:
            continue
        if done.closed is not None or _verified_at(ran, done.work) <= at:
            continue
        if done.started <= at - _confirm_s(ran) - LATE_S:
            yield f"it is judged against no work, and {done.work} was under way"


def _of(ran: Ran, relay: str, work: str | None) -> Done | None:
    return next(
        (one for one in ran.hands if one.work == work and one.errand.relay == relay and work), None
    )


def _confirm_s(ran: Ran) -> float:
    return float(ran.drawn.site.file.intervals.confirm_after_restart_s)


def _investigated(ran: Ran) -> Iterator[Fault]:
    """Each change that nobody planned opens one investigation, and nothing else does."""
    changes: Counter[tuple[str, object]] = Counter()
    opened: Counter[tuple[str, object]] = Counter()
    for one in ran.events:
        body = one.event.body
        if isinstance(body, ev.NameplateChanged):
            open_ones = tuple(
                change
                for change in body.changes
                if change.change
                not in (ChangeClass.PLANNED, ChangeClass.WRONG_VERSION, ChangeClass.TEXT_ONLY)
            )
            if open_ones:
                changes[one.event.subject, open_ones] += 1
        elif isinstance(body, ev.InvestigationOpened):
            opened[one.event.subject, body.changes] += 1
    for (relay, told), count in (changes - opened).items():
        yield 1, f"{count} investigation(s) of {told} were not opened", relay, None
    for (relay, told), count in (opened - changes).items():
        yield 2, f"{count} investigation(s) of {told} were opened for nothing", relay, None


def _moves(ran: Ran, work: str) -> list[tuple[float, ev.WorkMoved]]:
    return [
        (ran.durable_at[one.seq], one.event.body)
        for one in ran.events
        if isinstance(one.event.body, ev.WorkMoved) and one.event.body.work == work
    ]


def _planned_from(ran: Ran, work: str, default: object) -> object:
    """The version that the relay had when the work was planned."""
    for one in ran.events:
        body = one.event.body
        if isinstance(body, ev.WorkAdded) and body.work == work:
            return body.plan.before.get("swRev", default)
    return default


def _verified_at(ran: Ran, work: str | None) -> float:
    """From then on nothing is expected of it any more."""
    moves = [] if work is None else _moves(ran, work)
    return min((at for at, move in moves if move.after is WorkState.VERIFIED), default=FOREVER)


def _truth(ran: Ran, relay: str, attribute: str) -> list[tuple[float, object]]:
    first = ran.drawn.stage.bench(START).posts[relay].relay.facts()
    later = [
        (at, truth.after)
        for at, truth in ran.truths
        if truth.relay == relay and truth.attribute == attribute
    ]
    return [(0.0, first.get(attribute)), *later]


def _at(told: list[tuple[float, object]], at: float) -> object:
    return [value for when, value in told if when <= at][-1]


def _decided(ran: Ran, answered: float) -> float:
    """When at the earliest that was decided of which people had the answer once it was durable."""
    return min([answered, *(s for s, e in ran.drawn.failing if s < answered <= e + 5)])


def _proof(ran: Ran) -> Iterator[Fault]:
    """Verified work is what was planned, tested by a person, and without a lifecycle flag."""
    for done in ran.hands:
        relay = done.errand.relay
        for at, move in _moves(ran, done.work or ""):
            if move.after != WorkState.VERIFIED:
                continue
            if done.ended is not None and at - _decided(ran, done.ended) < _soak_s(ran) - CLOCK_S:
                yield 2, f"{done.work} is verified before its soak was over", relay, at
            late_s = LATE_S + 2 * _status_s(ran, relay)
            if _soak_s(ran) < late_s:
                continue
            late = at - late_s
            if _at(_truth(ran, relay, "swRev"), late) != done.errand.to:
                yield 2, f"{done.work} is verified, and its version is another", relay, at
            if done.testing is None or at < done.testing:
                yield 2, f"{done.work} is verified, and nobody tested it", relay, at
            for attribute, right in RIGHT.items():
                told = _truth(ran, relay, attribute)
                stood = [value for when, value in told if late - late_s <= when <= late]
                if _at(told, late) not in (right, None) and not stood:
                    yield 2, f"{done.work} is verified, and {attribute} is not right", relay, at


def _outcomes(ran: Ran) -> Iterator[Fault]:
    """Work that was done by the book comes out as what truly happened to the relay."""
    for done in ran.hands:
        errand = done.errand
        if done.work is None or done.started is None or done.ended is None:
            continue
        scene = _scene(ran, errand.relay, errand.started_at, errand.ended_at)
        if scene is None:
            continue
        versions = _truth(ran, errand.relay, "swRev")
        before, after = _at(versions, errand.started_at), _at(versions, done.ended)
        calm_until = _calm_until(ran, errand.relay, done.ended)
        until = min(calm_until, done.closed or FOREVER)
        if until - done.ended < _due_s(ran, errand.relay):
            continue
        # what was there before anybody began may be anything
        moves = _moves(ran, done.work)
        reached = {move.after for at, move in moves if done.started <= at <= until}
        if after == errand.to and before != after and WorkState.CHECKING not in reached:
            yield 1, f"{done.work} took, and was never checked", errand.relay, until
        if after == errand.to and {WorkState.NOT_DONE, WorkState.WRONG_VERSION} & reached:
            yield 2, f"{done.work} took, and is said not to have", errand.relay, until
        # somebody may have changed it since it was planned, and before anybody began
        as_planned_from = after == _planned_from(ran, done.work, before)
        right = WorkState.NOT_DONE if as_planned_from else WorkState.WRONG_VERSION
        if after != errand.to and right not in reached:
            yield 1, f"{done.work} did not take, and nobody says so: {right}", errand.relay, until


def _held(ran: Ran) -> Iterator[Fault]:
    """Work that took, was tested, and whose relay has long been as it should, is verified."""
    for done in ran.hands:
        relay = done.errand.relay
        if done.work is None or done.ended is None or done.tested is None:
            continue
        start = max(done.ended, done.tested, *_right_since(ran, relay, done.closed))
        until = min(_calm_until(ran, relay, start), done.closed or FOREVER)
        if until - start < _due_s(ran, relay) + _soak_s(ran):
            continue
        plan = next(
            one.event.body.plan
            for one in ran.events
            if isinstance(one.event.body, ev.WorkAdded) and one.event.body.work == done.work
        )
        planned = plan.before | plan.expects
        if any(_at(_truth(ran, relay, name), until) != text for name, text in planned.items()):
            continue
        if not any(
            m.after == WorkState.VERIFIED and at <= until for at, m in _moves(ran, done.work)
        ):
            yield (
                1,
                f"{done.work} took and held from {start:.0f} s on, and is not verified",
                relay,
                until,
            )


def _right_since(ran: Ran, relay: str, closed: float | None) -> Iterator[float]:
    """Since when each value of the status is as it should be."""
    for attribute, right in RIGHT.items():
        told = [one for one in _truth(ran, relay, attribute) if one[0] <= (closed or FOREVER)]
        wrong = [number for number, (_, value) in enumerate(told) if value not in (right, None)]
        after = told[wrong[-1] + 1 :] if wrong else told
        yield after[0][0] if after else FOREVER


def _due_s(ran: Ran, relay: str) -> float:
    """From the end of work until its outcome must be known."""
    intervals = ran.drawn.site.file.intervals
    backoff_s = 300.0 if relay.startswith("g") else 0.0
    return (
        3 * float(intervals.confirm_after_restart_s)
        + 4 * _status_s(ran, relay)
        + backoff_s
        + LATE_S
    )


def _calm_until(ran: Ran, relay: str, start: float) -> float:
    """Until something happens to the relay or to the poller that may hide the outcome."""
    gateway = relay.startswith("g")
    disturbed = [
        window.start if window.start > start else start
        for window in ran.drawn.windows
        if window.why != "work"
        and (window.relay == relay or (gateway and window.relay.startswith("g")))
        and window.end > start
    ]
    disturbed += [
        begin if begin > start else start for begin, end in ran.drawn.failing if end > start
    ]
    disturbed += [ended for _, ended in ran.lives if ended > start]
    disturbed += [
        at
        for at, truth in ran.truths
        if truth.relay == relay and at > start and not truth.attribute.startswith("flag:")
    ]
    return min(disturbed, default=FOREVER)


def _scene(ran: Ran, relay: str, start: float, end: float) -> FirmwareUpdate | None:
    return next(
        (
            scene
            for scene in ran.drawn.stage.scenario.story
            if isinstance(scene, FirmwareUpdate)
            and scene.relay == relay
            and start <= scene.at <= end
        ),
        None,
    )


def _left_alone(ran: Ran) -> Iterator[Fault]:
    """No request reaches a relay from the answer to the start of work until its end is asked."""
    for done in ran.hands:
        if done.started is None:
            continue
        entry = ran.drawn.site.relay(done.errand.relay)
        end = done.ending or FOREVER
        asked = [
            one.at
            for one in ran.net.asked
            if one.place == (entry.host, entry.port)
            and one.unit == entry.unit
            and done.started + ASKED_S <= one.at < end
        ]
        if asked:
            says = f"{done.work}: {len(asked)} requests reached the relay while it was worked on"
            yield 5, says, done.errand.relay, asked[0]


def _status_s(ran: Ran, relay: str) -> float:
    return float(ran.drawn.site.file.intervals.status_s or 60)


def _soak_s(ran: Ran) -> float:
    return timedelta(seconds=ran.drawn.site.file.work.soak_s).total_seconds()
