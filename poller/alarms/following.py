"""One alarm and its condition: delays, latch and what keeps it back, then the table of states.

An alarm occurs once its condition stood for the on-delay, and is over once that was away for the
off-delay; a latch holds it until a person resets it. One that came too often is held until it has
rested. What work causes is suppressed before anybody is told, and told when that ends.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Final

from poller.alarms import states
from poller.alarms.folds import folded
from poller.alarms.states import BEGIN, END
from poller.model import events as ev
from poller.model.alarms import (
    Alarm,
    AlarmState,
    Audience,
    Condition,
    Happening,
    Inhibit,
    Timer,
)
from poller.site.alarm_catalogue import Catalogue, Entry

NO_ACK: Final = "a notice asks for no acknowledgement"
TIME_OVER: Final = "its time is over"
CONDITION_OVER: Final = "its condition is over"
WORK_OVER: Final = "the work is over, or its window is"


class Follower:
    """An alarm on its way to what its condition makes of it; told: the events, in order.

    condition: None where it does not hold. entry: None where the catalogue has it no more.
    """

    def __init__(
        self,
        alarm: Alarm,
        condition: Condition | None,
        entry: Entry | None,
        catalogue: Catalogue,
        at: datetime,
    ) -> None:
        self.alarm, self.condition, self.entry = alarm, condition, entry
        self.catalogue, self.at = catalogue, at
        self.told: list[ev.Body] = []

    def tell(self, body: ev.Body) -> None:
        event = ev.Event(at=self.at, subject=self.alarm.subject, body=body)
        self.alarm = folded({self.alarm.id: self.alarm}, event)[self.alarm.id]
        self.told.append(body)

    def follow(self) -> None:
        """All that there is to tell now."""
        self._rate()
        self._unshelve()
        if self.condition is None and self.alarm.inhibits.suppressed is not None:
            self._over_unseen()
        elif self.condition is not None:
            self._stands(self.condition)
        else:
            self._away()

    def _rate(self) -> None:
        """The catalogue was changed while it stands."""
        entry, alarm = self.entry, self.alarm
        if entry is None or alarm.state == AlarmState.NORMAL:
            return
        if (alarm.audience, alarm.priority) != (entry.audiences, entry.urgency):
            rated = ev.AlarmRated(alarm=alarm.id, audience=entry.audiences, priority=entry.urgency)
            self.tell(rated)

    def _unshelve(self) -> None:
        shelved = self.alarm.inhibits.shelved
        if shelved is not None and shelved.until is not None and shelved.until <= self.at:
            self.release(Inhibit.SHELVED, TIME_OVER)

    # Its condition holds.

    def _stands(self, condition: Condition) -> None:
        alarm = self.alarm
        if not alarm.active:
            if self._waited(Timer.ON_DELAY, alarm.on_until, self._on_delay_s(condition)):
                self._suppress(condition)
                self.move(Happening.OCCURS)
            return
        self._wait_no_more(Timer.OFF_DELAY, alarm.off_until)
        if alarm.latched:
            self.tell(ev.AlarmLatched(alarm=alarm.id, held=False))
        if alarm.latched or condition.is_new_to(alarm.occurrence):
            self.move(Happening.OCCURS)
        self._suppress(condition)

    def _suppress(self, condition: Condition) -> None:
        """Begins or ends what is suppressed by design."""
        alarm = self.alarm
        if condition.work is None:
            if states.inhibits(alarm, Inhibit.SUPPRESSED, END):
                self.release(Inhibit.SUPPRESSED, WORK_OVER)
        elif states.inhibits(alarm, Inhibit.SUPPRESSED, BEGIN):
            self.inhibit(Inhibit.SUPPRESSED, None, condition.work)

    def _on_delay_s(self, condition: Condition) -> float:
        return condition.later_s + (0 if self.entry is None else self.entry.on_delay_s)

    # It does not.

    def _over_unseen(self) -> None:
        """Nobody was told of it, so there is nothing to wait for and nothing to hold."""
        self._wait_no_more(Timer.ON_DELAY, self.alarm.on_until)
        self.release(Inhibit.SUPPRESSED, CONDITION_OVER, active=False)

    def _away(self) -> None:
        alarm = self.alarm
        self._wait_no_more(Timer.ON_DELAY, alarm.on_until)
        latching = self.entry is not None and self.entry.latching
        if not alarm.active or (alarm.latched and latching):
            return
        if not alarm.latched and not self._waited(
            Timer.OFF_DELAY, alarm.off_until, self._off_delay_s()
        ):
            return
        if latching:
            self.tell(ev.AlarmLatched(alarm=alarm.id, held=True))
        else:
            self.over(None)

    def _off_delay_s(self) -> float:
        delay = 0 if self.entry is None else self.entry.off_delay_s
        rest = self.catalogue.chattering.within_s if self.alarm.chattering else 0
        return max(delay, rest)

    def over(self, comment: str | None) -> None:
        """The condition is over by all that waits or holds. comment: of who reset the latch."""
        self.move(Happening.RETURNS, comment)
        asks = Audience.OPERATOR_ALARM in self.alarm.audience
        if self.alarm.state == AlarmState.RETURNED and self.alarm.annunciated and not asks:
            self.move(Happening.ACKNOWLEDGED, NO_ACK)

    # Delays.

    def _waited(self, timer: Timer, until: datetime | None, delay_s: float) -> bool:
        """The delay has passed; else it runs, from now where it did not yet."""
        if delay_s <= 0 or (until is not None and until <= self.at):
            return True
        if until is None:
            self._time(timer, self.at + timedelta(seconds=delay_s))
        return False

    def _wait_no_more(self, timer: Timer, until: datetime | None) -> None:
        if until is not None:
            self._time(timer, None)

    def _time(self, timer: Timer, until: datetime | None) -> None:
        alarm = self.alarm
        self.tell(ev.TimerSet(alarm=alarm.id, entry=alarm.entry, timer=timer, until=until))

    # Moves.

    def inhibit(self, inhibit: Inhibit, until: datetime | None, why: str) -> None:
        alarm = self.alarm
        body = ev.AlarmInhibited(
            alarm=alarm.id, entry=alarm.entry, inhibit=inhibit, until=until, why=why
        )
        self.tell(body)

    def release(self, inhibit: Inhibit, why: str, active: bool | None = None) -> None:
        """Ends an inhibit; where none is left, the operator is told how it stands.

        active: None: as it is; False: the condition is over as well.
        """
        self.tell(ev.AlarmReleased(alarm=self.alarm.id, inhibit=inhibit, why=why))
        stands = self.alarm.active if active is None else active
        if self.alarm.inhibits.shown is not None:
            if self.alarm.active and not stands:
                self.move(Happening.RETURNS)
            return
        self.move(Happening.RELEASED_ALARM if stands else Happening.RELEASED_NORMAL)

    def move(self, happening: Happening, comment: str | None = None) -> None:
        """By the table; nothing is told where it stays. Raises Refusal as the table does."""
        alarm, entry = self.alarm, self.entry
        after = states.moved(alarm, happening)
        if after is None:
            return
        fresh = self.condition if happening in FRESH else None
        self.tell(
            ev.AlarmMoved(
                alarm=alarm.id,
                entry=alarm.entry,
                audience=alarm.audience if entry is None else entry.audiences,
                priority=alarm.priority if entry is None else entry.urgency,
                happening=happening,
                before=alarm.state,
                after=after,
                says=alarm.says if fresh is None else fresh.says,
                since=alarm.condition_since if fresh is None else self._since(fresh, happening),
                occurrence=alarm.occurrence if fresh is None else fresh.occurrence,
                annunciated=alarm.inhibits.shown is None,
                chattering=self._chatters(happening),
                comment=comment,
            )
        )

    def _since(self, condition: Condition, happening: Happening) -> datetime:
        """Where nothing says when it came to be so: when it was first looked at."""
        if condition.since is not None:
            return condition.since
        if self.alarm.on_until is not None:
            return self.alarm.on_until - timedelta(seconds=self._on_delay_s(condition))
        anew = happening == Happening.OCCURS or not self.alarm.active
        return self.at if anew else self.alarm.condition_since or self.at

    def _chatters(self, happening: Happening) -> bool:
        """It is, or was told so often of late that it is to be held from now on."""
        alarm, limit = self.alarm, self.catalogue.chattering
        if happening == Happening.RETURNS or happening == Happening.RELEASED_NORMAL:
            return False
        if happening != Happening.OCCURS or alarm.active or alarm.inhibits.shown is not None:
            return alarm.chattering
        window = timedelta(seconds=limit.within_s)
        # what was told in the future was told before a clock was set back while nobody looked
        lately = sum(timedelta(0) <= self.at - one <= window for one in alarm.recent)
        return lately + 1 >= limit.count


FRESH: Final = frozenset({Happening.OCCURS, Happening.RELEASED_ALARM})
"""After these the alarm tells what is so now, and not what was."""

Step = Callable[[Follower], None]


def followed(
    alarm: Alarm,
    condition: Condition | None,
    entry: Entry | None,
    catalogue: Catalogue,
    at: datetime,
    step: Step = Follower.follow,
) -> list[ev.Body]:
    """Events of one step of one alarm; step: what a person asks, else what time has brought."""
    one = Follower(alarm, condition, entry, catalogue, at)
    step(one)
    return one.told
