"""What events change in single points of alarms, one after the other."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

from poller.alarms.points import alarm_number, owner_of
from poller.model import events as ev
from poller.model.alarms import ACTIVE, Alarm, Audience, Happening
from poller.model.events import Recorded
from poller.model.standing import Points, State
from poller.publishing.iec104.frames import NOT_TOPICAL, ON, TIMED_MAX
from poller.publishing.iec104.group import Change
from poller.publishing.iec104.points import Numbers, Picture, picture


class Changes:
    """Knows what clients know once all that waits for them has arrived.

    After a start that is nothing before the last event there is: until then what an event says
    itself has to do. first: information object address of the point with number 0.
    """

    def __init__(self, first: int) -> None:
        self._first = first
        self._known: Picture | None = None

    def begin(self, found: Picture) -> None:
        """Clients ask for it themselves."""
        standing = {number: set(alarms) for number, alarms in found.standing.items()}
        self._known = replace(found, standing=standing)

    def of(
        self, events: Sequence[Recorded], state: State, numbers: Numbers, *, kept: bool
    ) -> tuple[list[Change], list[Change]]:
        """What points say that they did not, and which are topical, or no longer.

        state: after the last event, or later. kept: the clock can be trusted. The second list is
        for who is there; whoever comes asks how things stand.
        """
        values = list(self._told(events, numbers, kept))
        if events[-1].seq < state.seq:
            return values, []
        others = self._caught_up(picture(state), numbers)
        silent, *topical = [list(self._as_now(one, numbers, events[-1], kept)) for one in others]
        return values + silent, [change for some in topical for change in some]

    def _told(self, events: Iterable[Recorded], numbers: Numbers, kept: bool) -> Iterator[Change]:
        for one in events:
            told = self._follow(one.event, numbers.points)
            if told is not None:
                number, on = told
                not_read = self._known is not None and numbers.owner(number) in self._known.not_read
                point = (ON if on else 0) | (NOT_TOPICAL if not_read else 0)
                objects = ((self._first + number, point),)
                yield Change(seq=one.seq, at=one.event.at, kept=kept, objects=objects)

    def _follow(self, event: ev.Event, points: Points) -> tuple[int, bool] | None:
        """(number, value) where a point is another, or tells of something anew."""
        body = event.body
        if not isinstance(body, ev.AlarmMoved | ev.AlarmInhibited):
            return None
        alarm = Alarm(id=body.alarm, entry=body.entry, subject=event.subject, since=event.at)
        number = alarm_number(points, owner_of(alarm), body.entry)
        if number is None:
            return None
        before, now, anew = True, False, False
        if isinstance(body, ev.AlarmMoved):
            shown = body.annunciated and Audience.OPERATOR_ALARM in body.audience
            before, now = shown and body.before in ACTIVE, shown and body.after in ACTIVE
            anew = now and body.happening in (Happening.OCCURS, Happening.RELEASED_ALARM)
        if self._known is not None:
            alarms = self._known.standing.setdefault(number, set())
            before = bool(alarms)
            (alarms.add if now else alarms.discard)(body.alarm)
            now = bool(alarms)
        return (number, now) if now != before or anew else None

    def _caught_up(self, found: Picture, numbers: Numbers) -> list[list[int]]:
        """Points with a value that no event told; then, by relay, those topical, or no longer."""
        known = self._known
        self.begin(found)
        if known is None:
            return [[]]
        before = {number for number, alarms in known.standing.items() if alarms}
        other = before ^ found.standing.keys()
        owners = sorted(known.not_read ^ found.not_read)
        by_owner = numbers.by_owner
        return [
            sorted(other),
            *([one for one in by_owner.get(owner, ()) if one not in other] for owner in owners),
        ]

    def _as_now(
        self, some: Sequence[int], numbers: Numbers, last: Recorded, kept: bool
    ) -> Iterator[Change]:
        """Since the last event, at the latest."""
        assert self._known is not None
        points = [(self._first + one, self._known.point(one, numbers.owner(one))) for one in some]
        for at in range(0, len(points), TIMED_MAX):
            objects = tuple(points[at : at + TIMED_MAX])
            yield Change(seq=last.seq, at=last.event.at, kept=kept, objects=objects)
