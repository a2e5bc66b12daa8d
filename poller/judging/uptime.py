"""When a relay was started, by the uptime that it tells."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from poller.judging.findings import Restarted

SLACK_S: Final = 1.0  # a counter of another clock drifts, and may count late


@dataclass(slots=True)
class Start:
    """One reading of an uptime. The relay was started between low and high, monotonic seconds."""

    uptime_s: int
    low: float
    high: float

    @classmethod
    def told(cls, uptime_s: int, *, asked: float, answered: float, step_s: float) -> Start:
        """asked, answered: monotonic seconds; the value was taken at some time between them, and an
        answer may be long in coming. step_s: what one count of the register stands for."""
        return cls(uptime_s, asked - uptime_s - step_s, answered - uptime_s)

    def again(self, uptime_s: int, asked: float, answered: float, step_s: float) -> bool:
        """Whether what is told may be the same start; then it becomes this one. As told()."""
        low, high = asked - uptime_s - step_s, answered - uptime_s
        if not self._may_be(low, high):
            return False
        self.uptime_s, self.low, self.high = uptime_s, low, high
        return True

    def agrees(self, other: Start) -> bool:
        """Both may tell of the same start."""
        return self._may_be(other.low, other.high)

    def _may_be(self, low: float, high: float) -> bool:
        return low - SLACK_S <= self.high and self.low - SLACK_S <= high

    def is_after(self, other: Start) -> bool:
        return self.low - SLACK_S > other.high


@dataclass(slots=True)
class Uptimes:
    """last: by the last reading. known: by the last that agreed with the one before."""

    last: Start | None = None
    known: Start | None = None

    def follow(self, start: Start) -> Restarted | None:
        """A later start is a sign of a restart at once, and an event when two readings agree.

        One odd value, up or down, is nothing: what counts is when the relay was started.
        """
        before, known = self.last, self.known
        self.last = start
        if known is None or start.agrees(known):
            self.known = start
        elif before is not None and start.agrees(before):
            self.known = start
            if start.is_after(known):
                return Restarted(uptime_before_s=known.uptime_s, uptime_s=start.uptime_s)
        return None

    @property
    def sign(self) -> bool:
        """The last reading tells of a restart, and no other yet."""
        return self.last is not None and self.known is not None and self.last.is_after(self.known)
