"""What waits for the clients of one redundancy group, in order, until one of them confirmed it.

Clients of a group stand in for one another: one of them is started and carries the data, the others
are connected or away. Whatever was not confirmed by the time that another one carries is sent again
there. Source: IEC 60870-5-104:2006, 10, from memory.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from poller.model import limits
from poller.publishing.iec104.frames import ON, Single


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """What one ASDU tells. seq: of the event that it comes of; at: when that was.

    kept: the clock could be trusted. objects: at most iec104_frames.TIMED_MAX.
    """

    seq: int
    at: datetime
    kept: bool
    objects: tuple[Single, ...]


class Group:
    """overflow_address: of the point that says that changes were lost."""

    def __init__(self, name: str, overflow_address: int) -> None:
        self.name = name
        self.overflow = False
        self._address = overflow_address
        self._waiting: deque[Change] = deque()
        self._under_way = 0  # of them, sent and not confirmed
        self._taken = 0

    def begin(self, seq: int) -> None:
        """Its clients have, or need, nothing up to this event."""
        self._taken = seq

    @property
    def position(self) -> int:
        """seq of the last event up to which all is confirmed."""
        return min(self._taken, self._waiting[0].seq - 1) if self._waiting else self._taken

    @property
    def waiting(self) -> int:
        return len(self._waiting)

    def take(self, changes: Sequence[Change], last: int, *, kept: bool) -> None:
        """What comes of the events up to last, in order; of those it had before, nothing.

        kept: as of a Change, for what an overflow tells.
        """
        for change in changes:
            if change.seq > self._taken:
                self._add(change, kept=kept)
        self._taken = max(self._taken, last)

    def lost(self, seq: int, at: datetime, *, kept: bool) -> None:
        """Changes up to this event never come; at: when that was found out."""
        self._taken = max(self._taken, seq)
        self._overflows(Change(seq=seq, at=at, kept=kept, objects=((self._address, ON),)))

    def next(self) -> Change | None:
        """The next to send, which is under way from now on."""
        if self._under_way == len(self._waiting):
            return None
        change = self._waiting[self._under_way]
        self._under_way += 1
        return change

    def confirmed(self, now: datetime, *, kept: bool) -> None:
        """The first under way arrived. now, kept: of the word that the overflow is over."""
        assert self._under_way > 0
        self._under_way -= 1
        self._waiting.popleft()
        if self.overflow and not self._waiting:
            self.overflow = False
            over = ((self._address, 0),)
            self._waiting.append(Change(seq=self._taken + 1, at=now, kept=kept, objects=over))

    def again(self) -> None:
        """Whoever carried it is gone, or another one does: what is under way is sent again."""
        self._under_way = 0

    def _add(self, change: Change, *, kept: bool) -> None:
        if len(self._waiting) >= limits.IEC104_WAITING_MAX:
            first = self._waiting[self._under_way]
            told = self._address in dict(first.objects)
            del self._waiting[self._under_way + told]
            words = ((self._address, ON),)
            self._overflows(Change(seq=first.seq, at=change.at, kept=kept, objects=words))
        self._waiting.append(change)

    def _overflows(self, change: Change) -> None:
        """Told before what still waits, once until all of that is confirmed."""
        if not self.overflow:
            self.overflow = True
            self._waiting.insert(self._under_way, change)
