"""Time has passed: whether work is ready, and whether what was done to a relay holds."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Final, TypeAlias

from poller.model import limits
from poller.model.events import Body, VerificationChecked
from poller.model.standing import Relay, State, shown
from poller.model.status import StatusReading
from poller.model.work import Line, Work, WorkState, by_number
from poller.site.settings import Site, pace
from poller.work import readiness, verification
from poller.work.against_plan import Seen, seen
from poller.work.line_names import SOAK, TEST
from poller.work.planned_work import Move, moved

Decided: TypeAlias = list[tuple[str, Body]]
AHEAD: Final = timedelta(days=limits.WORK_READY_AHEAD_DAYS)
AGAIN: Final = timedelta(seconds=limits.WORK_READY_AGAIN_S)
WINDOW_OVER: Final = "its window is over"


def attended(
    state: State, site: Site, at: datetime, readings: Mapping[str, StatusReading]
) -> Decided:
    """readings: the last status reading of each relay that has one."""
    listed = {entry.id for entry in site.file.relays}
    out: Decided = []
    for name in sorted(state.works, key=by_number):
        work = state.works[name]
        relay = state.relays.get(work.plan.relay)
        if relay is None or not relay.listed or work.plan.relay not in listed:
            continue  # nothing is read of it; people may still end what they began
        reading = readings.get(work.plan.relay)
        if work.state in (WorkState.PLANNED, WorkState.READY):
            told = _readied(work, state, site, reading, at)
        elif work.state == WorkState.CHECKING:
            told = _checked(work, relay, site, reading, at)
        elif work.state == WorkState.WRONG_VERSION and not work.lines:
            told = _read_once(work, relay, site, reading, at)
        else:
            continue
        out += [(work.plan.relay, body) for body in told]
    return out


def _readied(
    work: Work, state: State, site: Site, reading: StatusReading | None, at: datetime
) -> list[Body]:
    if work.plan.start - at > AHEAD:
        return []
    if at > work.plan.end:
        return _one(work, Move.OBSTRUCTED, WINDOW_OVER)
    obstacles = readiness.obstacles(work, state, site, reading, at)
    if obstacles:
        return _one(work, Move.OBSTRUCTED, obstacles[0].says)
    fluttering = work.since != work.entered_at and at - work.since < AGAIN
    return [] if fluttering else _one(work, Move.CLEARED, "nothing stands in the way")


def _one(work: Work, move: Move, why: str) -> list[Body]:
    told = moved(work, move, why[: limits.REASON_MAX])
    return [] if told is None else [told]


def _checked(
    work: Work, relay: Relay, site: Site, reading: StatusReading | None, at: datetime
) -> list[Body]:
    lines = verification.lines(work, relay, site, reading, at)
    holds = verification.holds(lines)
    proven = holds and _ok(lines, SOAK)
    out: list[Body] = []
    if _news(lines, work.lines) or holds != (work.held_since is not None) or proven != work.proven:
        out.append(VerificationChecked(work=work.id, lines=lines, holds=holds, proven=proven))
    return out + _came_out(work, relay, site, lines, proven, at)


def _read_once(
    work: Work, relay: Relay, site: Site, reading: StatusReading | None, at: datetime
) -> list[Body]:
    """Work that came out otherwise before it was checked: what each line found, all the same."""
    lines = verification.lines(work, relay, site, reading, at)
    return [VerificationChecked(work=work.id, lines=lines, holds=False, proven=False)]


def _ok(lines: tuple[Line, ...], name: str) -> bool:
    return all(line.ok is True for line in lines if line.name == name)


def _news(lines: tuple[Line, ...], told: tuple[Line, ...]) -> bool:
    """Not for the time of reading alone, or every look would be an event."""
    return [(one.name, one.expected, one.read, one.ok) for one in lines] != [
        (one.name, one.expected, one.read, one.ok) for one in told
    ]


def _came_out(
    work: Work, relay: Relay, site: Site, lines: tuple[Line, ...], proven: bool, at: datetime
) -> list[Body]:
    match seen(work.plan, shown(relay), site):
        case Seen.OTHER:
            why = "what was read is neither what was planned nor what it was"
            return _one(work, Move.SEEN_OTHER, why)
        case Seen.AS_BEFORE if _patience_over(work, site, at):
            return _one(work, Move.TOOK_NOT, "the relay is still what it was before")
        case Seen.PARTLY if _patience_over(work, site, at):
            return _one(work, Move.SEEN_OTHER, "only a part of what was planned was read")
        case Seen.AS_PLANNED if proven and _ok(lines, TEST):
            return _one(work, Move.PROVEN, "the readings held, and the test is noted")
    return []


def _patience_over(work: Work, site: Site, at: datetime) -> bool:
    """A relay that was just restarted tells all sorts for a while, and so does its boot text."""
    entry = site.relay(work.plan.relay)
    patience = timedelta(seconds=pace(site.file.intervals, entry).confirm_after_restart_s)
    return work.reread_at is not None and at - work.reread_at >= patience
