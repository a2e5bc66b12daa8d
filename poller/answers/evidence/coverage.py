"""How often a relay was read: by UTC day, as the journal notes it, over the network and by hand.

The journal notes the first complete nameplate of a day and how many there were since the note
before, so that a gap is known in whole days. CIP-010-4, part 2.1: at least every 35 calendar days,
owed for high impact only.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field
from datetime import date, timedelta
from itertools import pairwise
from typing import Final

from poller.answers.evidence.configuration import UNKNOWN
from poller.answers.evidence.report import Coverage, Gap
from poller.answers.words import count
from poller.model import limits

DAYS_MOST: Final = 35
OWED: Final = "high"
PART: Final = "CIP-010-4, part 2.1"
NEVER: Final = "not read over the network until then"
DAY: Final = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class _Stretch:
    """Nothing was read after `before` until `ends`. begins: the first day without, in the span."""

    before: date
    begins: date
    ends: date
    why: tuple[str, ...]

    @property
    def gap(self) -> int:
        return (self.ends - self.begins).days


@dataclass(slots=True)
class Seen:
    """Of one relay, event by event; of a day only what it lacks is held.

    first, last: UTC days that the span touches. over: the first day that was not over at its end.
    """

    first: date
    last: date
    over: date
    _begin: date | None = None  # looked for since; None: not listed
    _read: date | None = None  # the last day with a reading, also before the span
    _missing: int = 0  # days without a reading
    _listed: list[tuple[date, date]] = field(default_factory=list)
    _read_days: int = 0
    _readings: int = 0
    _manual: list[date] = field(default_factory=list)
    _entered: int = 0
    _stretches: list[_Stretch] = field(default_factory=list)
    _more: int = 0
    _longest: int = 0
    _why: dict[str, None] = field(default_factory=dict)
    _standing: dict[str, str] = field(default_factory=dict)  # what holds reading up now, by key
    _told_until: date | None = None  # delisted on that day, which was counted

    def listed(self, day: date) -> None:
        if self._begin is None:
            again = self._told_until + DAY if self._told_until is not None else self.first
            self._begin = max(day, self.first, again)

    def delisted(self, day: date) -> None:
        if self._begin is not None:
            self._end(min(day, self.last), min(day, self.over))
            self._told_until = day
        self._begin = self._read = None
        self._why, self._standing = {}, {}

    def read(self, day: date, readings: int) -> None:
        """A complete nameplate on that day; readings: since the note before this one."""
        if self._begin is not None and self._begin <= day <= self.last and day != self._read:
            self._stretch(day)
            self._readings += readings if self._read_days else 1
            self._read_days += 1
        self._read = day if self._read is None else max(day, self._read)
        self._why = dict.fromkeys(self._standing.values())

    def by_hand(self, day: date, *, in_span: bool) -> None:
        """Read at the front panel on that day."""
        self._manual = [*self._manual, day][-limits.EVIDENCE_READINGS_MAX :]
        self._entered += in_span

    def held_up(self, key: str, says: str) -> None:
        """From here on something stands in the way of reading, until freed(key)."""
        self._standing[key] = says
        self.noted(says)

    def freed(self, key: str, says: str = "") -> None:
        """It is over. says: what is said in its place, now that this is known."""
        before = self._standing.pop(key, None)
        if before is not None and says:
            self._why.pop(before, None)
            self.noted(says)

    def noted(self, says: str) -> None:
        """Something stood in the way."""
        if len(self._why) < limits.EVIDENCE_WHY_MAX:
            self._why[says] = None

    def coverage(self, asset_classes: Collection[str]) -> Coverage:
        """Call it once, when all events were taken."""
        if self._begin is not None:
            self._end(self.last, self.over)
        both = max((self._with_manual(one) for one in self._stretches), default=self._longest)
        duty, kept = _duty(self._longest, both, asset_classes, listed=bool(self._listed))
        return Coverage(
            days=self._read_days + self._missing,
            listed=tuple(self._listed),
            read_days=self._read_days,
            readings=self._readings,
            manual=self._entered,
            interval=self._longest,
            with_manual=both,
            gaps=tuple(self._gap(one) for one in self._stretches if one.gap > 0),
            gaps_more=self._more,
            duty=duty,
            kept=kept,
        )

    def _end(self, last: date, over: date) -> None:
        assert self._begin is not None, "it is listed"
        self._stretch(over)
        if last >= self._begin:
            self._listed = [*self._listed, (self._begin, last)][-limits.EVIDENCE_GAPS_MAX :]

    def _stretch(self, ends: date) -> None:
        """From the last reading to the day of the next one, or to the first that is not over."""
        assert self._begin is not None, "it is listed"
        before = self._begin if self._read is None else self._read
        begins = self._begin if self._read is None else max(self._read + DAY, self._begin)
        never = () if self._read is not None else (NEVER,)
        one = _Stretch(before, begins, ends, (*never, *self._why))
        self._longest = max(self._longest, (ends - before).days)
        if one.gap <= 0:
            return
        self._missing += one.gap
        self._stretches.append(one)
        if len(self._stretches) > limits.EVIDENCE_GAPS_MAX:
            self._stretches.remove(min(self._stretches, key=lambda each: each.gap))
            self._more += 1

    def _gap(self, one: _Stretch) -> Gap:
        manual = sum(one.begins <= day < one.ends for day in self._manual)
        return Gap(first=one.begins, last=one.ends - DAY, why=one.why, manual=manual)

    def _with_manual(self, one: _Stretch) -> int:
        inside = (day for day in self._manual if one.before < day < one.ends)
        return max((b - a).days for a, b in pairwise(sorted({one.before, *inside, one.ends})))


def _duty(
    longest: int, both: int, asset_classes: Collection[str], *, listed: bool
) -> tuple[str, bool | None]:
    """In words, and whether what is owed was kept; None: nothing is owed."""
    if not listed:
        return "not listed on any day of the span", None
    within = longest <= DAYS_MOST
    most = f"{count(longest, 'day', 'days')} at most from one reading to the next"
    if not within and both <= DAYS_MOST:
        most += f", {count(both, 'day', 'days')} with those at the front panel"
    if OWED in asset_classes:
        word = "kept" if within or both <= DAYS_MOST else "NOT KEPT"
        return f"owed every {DAYS_MOST} days ({PART}): {word}; {most}", word == "kept"
    word = "within" if within else "longer than"
    owed = "whether it is owed is not known" if UNKNOWN in asset_classes else "voluntary"
    return f"{owed}; {most}, {word} the {DAYS_MOST} days of {PART}", None
