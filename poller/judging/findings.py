"""What watching a relay found out, believed already; decide turns it into events."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import ClassVar, Final, NamedTuple, Self, TypeAlias

from poller.model.nameplate import Nameplate
from poller.model.status import Behaviour, Health

STEP: Final = timedelta(seconds=2)  # a wall clock so far from the monotonic one was set, and is
# not only disciplined
MS: Final = timedelta(milliseconds=1)


class Moment(NamedTuple):
    """Now, twice: monotonic seconds for intervals, UTC in whole milliseconds for records."""

    mono: float
    utc: datetime

    def clock_set(self, before: Moment) -> timedelta | None:
        """How far the wall clock was set since then; None: it was not."""
        by = self.utc - before.utc - timedelta(seconds=self.mono - before.mono)
        return by if abs(by) >= STEP else None

    def earlier(self, mono: float) -> Moment:
        """A moment of before, as the wall clock of now would have told it."""
        return Moment(mono, self.utc - round((self.mono - mono) * 1_000) * MS)


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """What all findings have in common: times at which they were made out, if any."""

    TIMES: ClassVar[tuple[str, ...]] = ()

    def later(self, by: timedelta) -> Self:
        """As told by a clock that was set by so much."""
        told = {name: getattr(self, name) for name in self.TIMES}
        by = round(by / MS) * MS
        return replace(self, **{name: at + by for name, at in told.items() if at is not None})


@dataclass(frozen=True, slots=True, kw_only=True)
class Believed(Found):
    """Two passes apart said so. covers: the attributes that this map can tell."""

    TIMES: ClassVar = ("last_old_at", "first_new_at")
    nameplate: Nameplate
    map: str
    covers: frozenset[str]
    last_old_at: datetime | None
    first_new_at: datetime
    relay_time: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class NoMapFits(Found):
    identity: Nameplate


@dataclass(frozen=True, slots=True, kw_only=True)
class Edges(Found):
    """Status values that two readings in a row agreed on and that are not what was known."""

    TIMES: ClassVar = ("last_old_at", "first_new_at")
    flags: dict[str, bool] = field(default_factory=dict)
    health: Health | None = None
    behaviour: Behaviour | None = None
    setting_group: int | None = None
    last_old_at: datetime | None
    first_new_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Restarted(Found):
    uptime_before_s: int
    uptime_s: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Silent(Found):
    TIMES: ClassVar = ("last_answer_at",)
    last_answer_at: datetime | None
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Answering(Found):
    pass


@dataclass(frozen=True, slots=True, kw_only=True)
class Unreadable(Found):
    TIMES: ClassVar = ("since",)
    since: datetime
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Readable(Found):
    pass


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen(Found):
    """A complete nameplate pass on a UTC day without one. reads: passes since the last such."""

    day: str
    reads: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Reread(Found):
    """The first whole nameplate that is believed since the poller started, or polled it again.

    at: when that pass ended.
    """

    TIMES: ClassVar = ("at",)
    at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Noted(Found):
    finding: str
    says: str


Finding: TypeAlias = (
    Believed
    | NoMapFits
    | Edges
    | Restarted
    | Silent
    | Answering
    | Unreadable
    | Readable
    | Seen
    | Reread
    | Noted
)
