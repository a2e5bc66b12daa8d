"""Judges the times that events tell: by the clock of the event, and of when it was so.

Told under check 2. What was read before the wall clock was set is told by the clock of now.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any, Final

from poller.model import events as ev
from tests.trials.alarm_times import Times
from tests.trials.stories import UNDER_A_RIGHT_HEADER
from tests.trials.trial import Ran

if TYPE_CHECKING:
    from tests.trials.oracle import Stretch

REQUESTS: Final = 4  # of a pass at most; it is read once the last of them is answered in its time
TOL_S: Final = 0.5  # rounding, and drift since then


def faults(
    ran: Ran, true: Mapping[tuple[str, str], Sequence[Stretch]]
) -> Iterator[tuple[int, str, str | None, float | None]]:
    """true: by (relay, attribute). Told are check, what went wrong, relay, seconds of the loop."""
    times = Times(ran)
    way_s = REQUESTS * float(ran.drawn.site.file.intervals.reply_timeout_s)
    for one in ran.events:
        relay, body = one.event.subject, one.event.body
        for name, told_at, attribute, value in _tellings(body):
            at = times.of[one.seq]
            read = times.read(told_at, at)
            if read > at + TOL_S:
                says = f"{name} is {read - at:.0f} s after the event itself"
            elif _may_be_corrupted(ran, relay, read):
                continue  # one of the two readings that agree
            elif not _was_so(true.get((relay, attribute), []), value, read, way_s):
                says = f"{name} is {at - read:.0f} s before, when {attribute} was not {value!r}"
            else:
                continue
            yield 2, f"event {one.seq}, {body.kind}: {says}", relay, at


def _tellings(body: ev.Body) -> Iterator[tuple[str, datetime, str, Any]]:
    """The field, its time, and what was read then of which attribute."""
    match body:
        case ev.NameplateChanged():
            for change in body.changes:
                yield "first_new_at", body.first_new_at, change.attribute, change.after
                if body.last_old_at is not None:
                    yield "last_old_at", body.last_old_at, change.attribute, change.before
        case ev.FlagRose() | ev.FlagFell():
            rose = isinstance(body, ev.FlagRose)
            yield "first_new_at", body.first_new_at, f"flag:{body.flag}", rose
            if body.last_old_at is not None:
                yield "last_old_at", body.last_old_at, f"flag:{body.flag}", not rose
        case ev.RelaySilent(last_answer_at=datetime() as at):
            yield "last_answer_at", at, "answering", True


def _may_be_corrupted(ran: Ran, relay: str, read: float) -> bool:
    return any(
        window.relay == relay
        and window.why in UNDER_A_RIGHT_HEADER
        and window.start <= read <= window.end + TOL_S
        for window in ran.drawn.windows
    )


def _was_so(true: Sequence[Stretch], value: Any, read: float, way_s: float) -> bool:
    return any(one.value == value and one.start - TOL_S <= read <= one.end + way_s for one in true)
