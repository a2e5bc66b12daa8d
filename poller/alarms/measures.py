"""How well the alarms of a period could be dealt with: the standard's figures, from the journal.

Only alarms for the operator count, each time that one was told. They are those of this program
alone and not of a whole console, whose targets stand beside them.
Source of figures and targets: ANSI/ISA-18.2-2016 table 7 and 16.4, by two independent secondary
quotations; alarms per day differ between editions and are settings of the catalogue.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from typing import Final

from poller.model.alarms import ACTIVE, AlarmState, Audience, Happening, Priority
from poller.model.canonical import Utc
from poller.model.events import AlarmInhibited, AlarmMoved, Event
from poller.site.alarm_catalogue import Chattering, Targets

SCOPE: Final = (
    "These figures are of this source alone. The targets are meant for a whole console, to which "
    "other sources add theirs."
)
TABLE: Final = "ANSI/ISA-18.2-2016 table 7 and 16.4, secondary"
PER_DAY: Final = "ANSI/ISA-18.2-2016 or IEC 62682, secondary; the editions differ: a setting"
FLOOD: Final = "ANSI/ISA-18.2-2016 16.4.4, secondary"
OURS: Final = f"{TABLE}; how short or how often is ours"

TEN_MIN: Final = timedelta(minutes=10)
HOUR: Final = timedelta(hours=1)
DAY: Final = timedelta(days=1)
LEAST: Final = timedelta(days=30)  # a shorter period tells little
FLOOD_BEGINS: Final = 11  # alarms within ten minutes: more than 10
FLOOD_GOES_ON: Final = 5  # and it ends when there are fewer
BUSY_HOUR: Final = 30  # more alarms in one hour
BUSY_TEN_MIN: Final = 10
TOP: Final = 10
STALE: Final = DAY
# three looks at a relay: over before anybody could get to the list. No published source
FLEETING: Final = timedelta(minutes=3)


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One figure beside its target. value: None where there was no alarm to take it from.

    most: the most that can be managed, where the standard says that too. note: what else to know.
    near: the target is a share to come near to, and no limit.
    """

    name: str
    value: float | None
    unit: str
    target: float
    most: float | None = None
    source: str = TABLE
    note: str = ""
    near: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Flood:
    """More alarms than anybody can read. alarms: told from its first to its last."""

    start: Utc
    end: Utc
    alarms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Measures:
    """top: ids of the most frequent, with how often. Ids are sorted."""

    start: Utc
    end: Utc
    alarms: int
    figures: tuple[Figure, ...]
    floods: tuple[Flood, ...]
    top: tuple[tuple[str, int], ...]
    chattering: tuple[str, ...]
    fleeting: tuple[str, ...]
    stale: tuple[str, ...]
    scope: str = SCOPE

    @property
    def long_enough(self) -> bool:
        """The standard asks for 30 days at least."""
        return self.end - self.start >= LEAST


@dataclass(slots=True)
class _Seen:
    """What the events of a period show. times: of every time that the operator was told."""

    times: list[datetime] = field(default_factory=list)
    by_alarm: dict[str, list[datetime]] = field(default_factory=dict)
    priorities: Counter[Priority] = field(default_factory=Counter)
    fleeting: set[str] = field(default_factory=set)
    stood: list[tuple[str, datetime, datetime]] = field(default_factory=list)


def measured(
    events: Iterable[Event],
    start: datetime,
    end: datetime,
    targets: Targets | None = None,
    chattering: Chattering | None = None,
) -> Measures:
    """The figures of start to end, start included.

    events: in the order of the journal, from as far back as there are: what stands since before the
    period is stale in it.
    """
    targets, chattering = targets or Targets(), chattering or Chattering()
    seen = _seen(events, start, end)
    seen.times.sort()  # a clock may have been put back
    floods = _floods(seen.times, end)
    often = Counter({name: len(times) for name, times in seen.by_alarm.items()})
    top = tuple(sorted(often.items(), key=lambda one: (-one[1], one[0]))[:TOP])
    chatters = tuple(sorted(_chattering(seen, chattering)))
    stale = _stale_by_day(seen, start, end)
    figures = (
        *_rates(seen, start, end, targets),
        *_periods(seen, start, end),
        _figure("time in flood", _share(_length(floods), end - start), "%", 1, source=FLOOD),
        _figure(
            "share of the ten most frequent",
            _share(sum(count for _, count in top), len(seen.times)),
            "%",
            5,
            note="of few alarms the ten most frequent are always most",
        ),
        _figure("chattering", len(chatters), "alarms", 0, source=OURS),
        _figure("fleeting", len(seen.fleeting), "alarms", 0, source=OURS),
        _figure(
            "stale on any day",
            max((len(names) for names in stale.values()), default=0),
            "alarms",
            4,
            note="fewer than 5 that stand for more than 24 h",
        ),
        *_priorities(seen),
    )
    return Measures(
        start=start,
        end=end,
        alarms=len(seen.times),
        figures=figures,
        floods=floods,
        top=top,
        chattering=chatters,
        fleeting=tuple(sorted(seen.fleeting)),
        stale=tuple(sorted(set().union(*stale.values()))),
    )


def _figure(
    name: str,
    value: float | None,
    unit: str,
    target: float,
    most: float | None = None,
    source: str = TABLE,
    note: str = "",
) -> Figure:
    return Figure(
        name=name, value=value, unit=unit, target=target, most=most, source=source, note=note
    )


def _seen(events: Iterable[Event], start: datetime, end: datetime) -> _Seen:
    """Each alarm stands from when it is told until it is over or kept back."""
    seen = _Seen()
    standing: dict[str, datetime] = {}
    told: dict[str, datetime] = {}  # and nobody has seen it yet

    def gone(name: str, at: datetime) -> None:
        told.pop(name, None)
        since = standing.pop(name, None)
        if since is not None:
            seen.stood.append((name, since, at))

    for event in events:
        body, at = event.body, event.at
        if at >= end:
            continue  # and not the end: a clock that is put back makes later ones earlier
        if isinstance(body, AlarmInhibited):
            gone(body.alarm, at)
        elif isinstance(body, AlarmMoved) and Audience.OPERATOR_ALARM in body.audience:
            if body.after == AlarmState.UNACKNOWLEDGED and body.annunciated:
                standing.setdefault(body.alarm, at)
                told[body.alarm] = at
                if at >= start:
                    seen.times.append(at)
                    seen.by_alarm.setdefault(body.alarm, []).append(at)
                    seen.priorities[body.priority] += 1
            elif body.after not in ACTIVE:
                first = told.get(body.alarm)
                returns = body.happening == Happening.RETURNS
                if returns and first is not None and start <= first and at - first <= FLEETING:
                    seen.fleeting.add(body.alarm)
                gone(body.alarm, at)
            else:
                told.pop(body.alarm, None)
    for name in sorted(standing):
        gone(name, end)
    return seen


def _rates(seen: _Seen, start: datetime, end: datetime, targets: Targets) -> Iterable[Figure]:
    count, span = len(seen.times), end - start
    per_day = targets.per_day, targets.per_day_max
    yield _figure("per day", count / (span / DAY), "alarms", *per_day, source=PER_DAY)
    yield _figure("per hour", count / (span / HOUR), "alarms", 6, 12)
    yield _figure("per 10 min", count / (span / TEN_MIN), "alarms", 1, 2)


def _periods(seen: _Seen, start: datetime, end: datetime) -> Iterable[Figure]:
    """The period in whole hours and ten minutes from its start; the last may be shorter."""
    hours = Counter((at - start) // HOUR for at in seen.times)
    tens = Counter((at - start) // TEN_MIN for at in seen.times)
    busy = sum(count > BUSY_HOUR for count in hours.values())
    yield _figure("hours with more than 30", _share(busy, _whole(start, end, HOUR)), "%", 1)
    busy = sum(count > BUSY_TEN_MIN for count in tens.values())
    share = _share(busy, _whole(start, end, TEN_MIN))
    yield _figure("10 min with more than 10", share, "%", 1)
    yield _figure("most in 10 min", max(tens.values(), default=0), "alarms", 10)


def _whole(start: datetime, end: datetime, part: timedelta) -> int:
    return -((start - end) // part)


def _share(part: float | timedelta, whole: float | timedelta) -> float | None:
    """In percent; None: of nothing."""
    if isinstance(part, timedelta) and isinstance(whole, timedelta):
        return 100 * (part / whole) if whole else None
    assert isinstance(part, (int, float))
    assert isinstance(whole, (int, float))
    return 100 * part / whole if whole else None


def _floods(times: Sequence[datetime], end: datetime) -> tuple[Flood, ...]:
    """From the alarm with which there are more than 10 in ten minutes, until there are under 5.

    Looked at all the time, and not in fixed periods of ten minutes.
    """
    floods: list[Flood] = []
    lately: deque[datetime] = deque()
    begun: datetime | None = None
    count = 0
    for at in (*times, end + TEN_MIN):
        while lately and lately[0] + TEN_MIN <= at:
            left = lately.popleft() + TEN_MIN
            if begun is not None and len(lately) < FLOOD_GOES_ON:
                floods.append(Flood(start=begun, end=min(left, end), alarms=count))
                begun = None
        lately.append(at)
        if begun is not None:
            count += 1
        elif len(lately) >= FLOOD_BEGINS:
            begun, count = at, len(lately)
    return tuple(floods)


def _length(floods: Iterable[Flood]) -> timedelta:
    return sum((flood.end - flood.start for flood in floods), timedelta())


def _chattering(seen: _Seen, limit: Chattering) -> Iterable[str]:
    """Told so often within so long, anywhere in the period."""
    window = timedelta(seconds=limit.within_s)
    for name, times in seen.by_alarm.items():
        ordered = sorted(times)
        pairs = zip(ordered, ordered[limit.count - 1 :], strict=False)
        if any(last - first <= window for first, last in pairs):
            yield name


def _stale_by_day(seen: _Seen, start: datetime, end: datetime) -> dict[date, set[str]]:
    """Alarms that stood for more than 24 h, by each UTC day on which they still did."""
    found: dict[date, set[str]] = {}
    for name, since, until in seen.stood:
        first = max(since + STALE, start).astimezone(UTC)
        last = min(until, end).astimezone(UTC)
        day = first.date()
        while first < last and day <= last.date():
            found.setdefault(day, set()).add(name)
            day += DAY
    return found


def _priorities(seen: _Seen) -> Iterable[Figure]:
    whole = seen.priorities.total()
    for priority, target in ((Priority.LOW, 80), (Priority.MEDIUM, 15), (Priority.HIGH, 5)):
        share = _share(seen.priorities[priority], whole)
        figure = _figure(f"{priority} priority", share, "%", target, note="of all that were told")
        yield replace(figure, near=True)
