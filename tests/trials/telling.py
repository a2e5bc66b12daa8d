"""A short story of what went wrong: what happened around a failure, and what the journal says.

Of the relay that it is about; of an alarm of several, or of the poller's own, what is nobody's.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from poller.model.canonical import plain
from tests.trials.oracle import Failure
from tests.trials.trial import Ran

BEFORE_S: Final = 900.0
AFTER_S: Final = 120.0
LINES_MAX: Final = 40
TEXT_MAX: Final = 150


def story(ran: Ran, failure: Failure) -> list[str]:
    """Lines in the order of their times, in seconds of the loop; empty where it has no time."""
    if failure.at is None:
        return []
    start, end = failure.at - BEFORE_S, failure.at + AFTER_S
    told = sorted((at, what) for at, what in _all(ran, failure.relay) if start <= at <= end)
    shown = [f"{at:9.1f} s  {what}"[:TEXT_MAX] for at, what in told[-LINES_MAX:]]
    return shown if len(told) <= LINES_MAX else [f"({len(told) - LINES_MAX} lines before)", *shown]


def _all(ran: Ran, relay: str | None) -> Iterator[tuple[float, str]]:
    drawn = ran.drawn
    for at, truth in ran.truths:
        if truth.relay == relay:
            yield at, f"true: {truth.attribute} {truth.before!r} -> {truth.after!r}"
    for window in drawn.windows:
        if window.relay == relay:
            yield window.start, f"goes wrong: {window.why}, until {window.end:.1f} s"
    for _, ended in ran.lives[:-1]:
        yield ended, "the poller is killed"
    for began, _ in ran.lives[1:]:
        yield began, "the poller starts on its journal"
    for start, end in drawn.failing:
        yield start, f"nothing can be committed until {end:.1f} s"
    for at, by_s in drawn.steps:
        yield at, f"the wall clock is set by {by_s:+g} s"
    for one in ran.events:
        if one.event.subject == relay:
            body = plain(one.event.body)
            yield ran.durable_at[one.seq], f"journal {one.seq}: {one.event.body.kind} {body}"
