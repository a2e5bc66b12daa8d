"""The wall clock was set: what state holds of before, told by the clock of now.

Times are weighed against each other and against now: whether a flag rose in the work, how long a
soak has held, whether a reading is younger than the end of work. Those move that were told since
the computer started: before that it may have had another clock, as one that just started is often
wrong until somebody sets it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import TypeVar

from poller.alarms import folds
from poller.model.standing import Relay, Relays, State
from poller.model.work import Work

T = TypeVar("T", datetime, datetime | None)


def started(state: State, boot: str | None, at: datetime) -> State:
    """The poller did, on a computer that may have started again itself."""
    same = boot is not None and boot == state.boot
    return replace(state, boot=boot, clock_since=state.clock_since if same else at)


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """Times that were told between the two, by a clock that was then set by so much."""

    since: datetime
    until: datetime
    by: timedelta

    def anew(self, at: T) -> T:
        return at + self.by if at is not None and self.since <= at <= self.until else at


def told_anew(state: State, by_ms: int, now: datetime) -> State:
    """now: after it was set."""
    alarms = folds.stepped(state.alarms, by_ms)
    told = _told(state.clock_since, by_ms, now)
    if told is None:
        return replace(state, alarms=alarms)
    return replace(
        state,
        clock_since=told.anew(told.since),
        relays=Relays({name: _relay(relay, told) for name, relay in state.relays.items()}),
        works={name: _work(work, told) for name, work in state.works.items()},
        alarms=alarms,
    )


def _told(since: datetime | None, by_ms: int, now: datetime) -> Told | None:
    """None: nobody knows since when times were told by that clock, or it left the calendar."""
    if since is None:
        return None
    try:
        by = timedelta(milliseconds=by_ms)
        return Told(since=since, until=now - by, by=by)
    except OverflowError:
        return None


def _relay(relay: Relay, told: Told) -> Relay:
    baseline = relay.baseline
    return replace(
        relay,
        nameplate_since=told.anew(relay.nameplate_since),
        answering_since=told.anew(relay.answering_since),
        unreadable_since=told.anew(relay.unreadable_since),
        settings_changed_at=told.anew(relay.settings_changed_at),
        flags={
            name: replace(flag, since=told.anew(flag.since)) for name, flag in relay.flags.items()
        },
        firmware={
            name: replace(one, since=told.anew(one.since)) for name, one in relay.firmware.items()
        },
        baseline=None if baseline is None else replace(baseline, at=told.anew(baseline.at)),
    )


def _work(work: Work, told: Told) -> Work:
    return replace(
        work,
        since=told.anew(work.since),
        entered_at=told.anew(work.entered_at),
        started_at=told.anew(work.started_at),
        ended_at=told.anew(work.ended_at),
        reread_at=told.anew(work.reread_at),
        came_out_at=told.anew(work.came_out_at),
        held_since=told.anew(work.held_since),
        lines=tuple(replace(line, at=told.anew(line.at)) for line in work.lines),
        notes=tuple(replace(note, at=told.anew(note.at)) for note in work.notes),
    )
