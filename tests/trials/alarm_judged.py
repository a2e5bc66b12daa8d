"""One alarm held against its course: told once, with the right words, kept back and let go."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import Final

from poller.model import events as ev
from poller.model.alarms import OF_SEVERAL, Cause
from poller.site.alarm_catalogue import Catalogue, Entry
from tests.trials.alarm_courses import Course
from tests.trials.alarm_times import (
    ASKED_AGAIN_S,
    FOREVER,
    LATE_S,
    LOOK_S,
    TOL_S,
    Part,
    Times,
    common,
    within,
)
from tests.trials.alarm_tracks import Stand, Step, Track

NEWS: Final = ("occurs", "released_alarm")
OVER: Final = ("returns", "released_normal")
SUPPRESSED: Final = "suppressed_by_design"


class Judged:
    """One alarm, as it ought to have gone and as it did. A fault: what, and when."""

    def __init__(
        self, times: Times, catalogue: Catalogue, entry: Entry, track: Track, course: Course
    ) -> None:
        self.times, self.catalogue, self.entry = times, catalogue, entry
        self.track, self.course, self.name = track, course, track.alarm
        self.on_s = entry.on_delay_s + course.later_s

    def faults(self) -> Iterator[tuple[str, float]]:
        yield from self.track.faults
        yield from self._missed()
        yield from self._anew()
        yield from self._invented()
        yield from self._ended()
        yield from self._lasting()
        yield from self._chattering()
        yield from self._suppressed()
        yield from self._shelved()

    # Told: every occurrence, once.

    def _missed(self) -> Iterator[tuple[str, float]]:
        """What stood for its on-delay is an alarm from then on."""
        again_s = min(self.on_s, ASKED_AGAIN_S)
        for start, end in self.course.sure:
            due = self.times.due(start, self.on_s, again_s, self.course.seen_s)
            if due is None or due >= end:
                continue
            if not self.track.at(due).active:
                yield f"{self.name} held from {start:.0f} s on, and is no alarm", due

    def _anew(self) -> Iterator[tuple[str, float]]:
        """Who acknowledged an alarm is told when another thing of its kind happens."""
        for start, end in self.course.news:
            due = self.times.due(start, self.on_s, min(self.on_s, ASKED_AGAIN_S))
            told = [step.at for step in self.track.moves(*NEWS) if step.at >= start]
            until = min([*told, end])
            if due is None or due >= until:
                continue
            after = [step.after for step in self.track.steps if due < step.at < until]
            if any(stand.state == "C" for stand in (self.track.at(due), *after)):
                yield f"{self.name}: what happened at {start:.0f} s was not told anew", due

    def _invented(self) -> Iterator[tuple[str, float]]:
        last, latched = 0.0, False
        for step in self.track.steps:
            if not isinstance(step.body, ev.AlarmMoved) or step.body.happening not in NEWS:
                latched = step.before.latched and isinstance(step.body, ev.AlarmLatched)
                continue
            where = f"event {step.event.seq}, {self.name} {step.body.happening}"
            held = next(within([(a, b + TOL_S) for a, b in self.course.may], step.at), None)
            if held is None and not self._waits_to_end(step):
                yield f"{where}: nothing of the kind was so", step.at
            if step.body.happening == "occurs" and held is not None:
                fresh = any(last <= a <= step.at <= b for a, b in self.course.news)
                if step.before.active and not fresh and not latched:
                    yield f"{where}: nothing new happened since it was told", step.at
                if not step.before.active and self._early(held[0], step.at):
                    yield f"{where}: it held for {step.at - held[0]:.0f} s only", step.at
            last = step.at
            yield from ((f"{where}: {fault}", step.at) for fault in self._told(step, held))

    def _told(self, step: Step, held: Part | None) -> Iterator[str]:
        body = step.body
        if (body.priority, body.audience) != (self.entry.urgency, self.entry.audiences):
            yield f"it is told as {body.priority} for {body.audience}"
        if held is None:
            return
        words = [says for (a, b), says in self.course.says if a <= step.at <= b + TOL_S]
        if not any(says in body.says for says in words):
            yield f"it says {body.says!r}, and not {words}"
        since = self.times.loop(body.since, step.at)
        before = max((b for _, b in self.course.may if b < held[0]), default=0.0)
        told_late = self.dated and since < before - TOL_S
        lasted = self._lasted(before, held[0], step)
        if told_late and not lasted and not self.times.set_between(since, step.at):
            yield f"it is told since {since:.0f} s, and was over at {before:.0f} s"

    @property
    def dated(self) -> bool:
        """Of several relays it is as old as the first of them, whatever they were told with."""
        return self.entry.cause not in OF_SEVERAL and self.entry.cause != Cause.SILENT

    def _waits_to_end(self, step: Step) -> bool:
        """What comes back may be over but for the delay or the latch that holds it."""
        return step.body.happening == "released_alarm" and step.before.active

    def _early(self, start: float, at: float) -> bool:
        if self.times.stepped(start, at):
            return False
        overs = {start + self.on_s}
        for begin, _ in self.times.ran.lives[1:]:
            if not (start < begin <= at and self.on_s):
                continue
            # nobody knows whether it held while the poller was dead
            again = begin + min(self.on_s, ASKED_AGAIN_S)
            gone = {over for over in overs if over < begin + TOL_S}
            overs = overs - {over for over in gone if over < begin - LATE_S} | (
                {again} if gone else set()
            )
        return at < min(overs) - TOL_S

    def _lasted(self, ended: float, again: float, step: Step) -> bool:
        """A latch or its delay held it from when it was over until it came again: one alarm, since
        the first."""
        between = [one for one in self.track.steps if ended <= one.at <= step.at]
        waits = again - ended < self._off_s(self.track.at(ended))
        return (self.entry.latching or waits) and all(one.before.active for one in between)

    # Over: not before its time, and not long after.

    def _ended(self) -> Iterator[tuple[str, float]]:
        for step in self.track.moves(*OVER):
            if not step.before.active or step.event.event.by is not None:
                continue
            unseen = self._suppressed_at(step.at) or step.body.happening != "returns"
            where = f"event {step.event.seq}, {self.name} {step.body.happening}"
            if self.entry.latching and not unseen:
                yield f"{where}: a latch was to hold it until somebody resets it", step.at
            off_s = 0.0 if unseen else self._off_s(step.before)
            if self.times.stepped(step.at - off_s, step.at):
                continue
            since = step.at - max(0.0, off_s - TOL_S)
            # which of several alarms tells of a silence is looked at now and then
            least_s = LOOK_S if self.entry.cause == Cause.SILENT else 0.0
            sure = [part for part in self.course.sure if part[1] - part[0] > least_s]
            still = [end for start, end in sure if start < step.at and end > since]
            if still:
                yield f"{where}: it held until {still[-1]:.0f} s", step.at

    def _suppressed_at(self, at: float) -> bool:
        """It was, until then or still: nobody was told of it, so nothing is waited for."""
        return any(start < at <= end for start, end in self.track.kept(SUPPRESSED, FOREVER))

    def _off_s(self, stand: Stand) -> float:
        rest_s = self.catalogue.chattering.within_s if stand.chattering else 0
        return float(max(self.entry.off_delay_s, rest_s))

    def _lasting(self) -> Iterator[tuple[str, float]]:
        """Once nothing of it is so any more it ends, or a latch holds it."""
        gaps = pairwise([(0.0, 0.0), *self.course.may, (FOREVER, FOREVER)])
        for (_, end), (start, _) in gaps:
            stand = self.track.at(end)
            unseen = SUPPRESSED in stand.kept
            due = self.times.due(end, 0 if unseen else self._off_s(stand), 0, self.course.seen_s)
            if due is None or due >= start:
                continue
            then = self.track.at(due)
            if then.active and not (then.latched and self.entry.latching):
                yield f"{self.name} was over at {end:.0f} s, and is an alarm still", due

    def _chattering(self) -> Iterator[tuple[str, float]]:
        """Told so often within so long: then, and only then, it is held until it has rested."""
        limit = self.catalogue.chattering
        told: list[float] = []
        for step in self.track.moves(*NEWS):
            if step.body.annunciated:
                told.append(step.at)
            if step.body.happening != "occurs" or step.before.active or step.before.kept:
                continue
            counts = {
                sum(step.at - at <= limit.within_s + room for at in told)
                for room in (-TOL_S, TOL_S)
            }
            often = {count >= limit.count for count in counts}
            stepped = self.times.stepped(step.at - limit.within_s, step.at)
            stepped = stepped or any(self._seems_lately(at, step.at) for at in told)
            if often != {step.body.chattering} and len(often) == 1 and not stepped:
                says = f"{self.name}: told {max(counts)} times, chattering {step.body.chattering}"
                yield f"event {step.event.seq}, {says}", step.at

    def _seems_lately(self, told: float, at: float) -> bool:
        """By a wall clock that was set between them, and nobody saw."""
        between_s = self.times.seems_s(told, at)
        lately = -TOL_S <= between_s <= self.catalogue.chattering.within_s + TOL_S
        return lately and self.times.stepped(told, at)

    # Kept back: for what it is meant, and no longer.

    def _suppressed(self) -> Iterator[tuple[str, float]]:
        kept = self.track.kept(SUPPRESSED, self.times.ends)
        for start, end in kept:
            cover = next(within(self.course.perhaps, start), None)
            if cover is None:
                yield f"{self.name} is suppressed, and no work causes it", start
                continue
            due = self.times.due(cover[1], 0)
            if due is not None and due < end:
                yield f"{self.name} is suppressed, and the work is over at {cover[1]:.0f} s", due
        for start, end in common(self.course.caused, self.course.sure):
            due = self.times.due(start, 0)
            for step in self.track.steps:
                told = isinstance(step.body, ev.AlarmMoved) and step.body.happening in NEWS
                if told and start < step.at < end - TOL_S and step.body.annunciated:
                    yield f"{self.name} is told, and work causes it until {end:.0f} s", step.at
            then = None if due is None or due >= end else self.track.at(due)
            if due is not None and then is not None and then.active and not then.kept:
                yield f"{self.name} stands, and work causes it until {end:.0f} s", due

    def _shelved(self) -> Iterator[tuple[str, float]]:
        """For as long as the person said who did it; never past the catalogue's limit."""
        for number, step in enumerate(self.track.steps):
            body = step.body
            if not isinstance(body, ev.AlarmInhibited) or body.inhibit != "shelved":
                continue
            assert body.until is not None
            for_s = (body.until - step.event.event.at).total_seconds()
            if not 0 < for_s <= self.catalogue.shelving_max_h * 3_600:
                yield f"{self.name} is shelved for {for_s:.0f} s", step.at
            ends = next(
                (
                    one
                    for one in self.track.steps[number + 1 :]
                    if isinstance(one.body, ev.AlarmReleased) and one.body.inhibit == "shelved"
                ),
                None,
            )
            due = self.times.due(step.at, for_s)
            if due is not None and (ends is None or ends.at > due):
                yield f"{self.name} is shelved, and its time was over", due
            if ends is not None and ends.event.event.by is None:
                early = ends.at < step.at + for_s - TOL_S
                if early and not self.times.stepped(step.at, ends.at):
                    yield f"{self.name} is shelved no more, {for_s:.0f} s are not over", ends.at
