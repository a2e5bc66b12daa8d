"""What must hold after any number of kills; pure, from what was written down.

Each check returns sentences, one for each thing that is wrong.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, TypeAlias

from poller.model import events as ev
from poller.model.events import Recorded
from poller.model.nameplate import flat
from poller.publishing.bodies import event_body
from tests.crash.stand import INTERVALS
from tests.crash.story import Asked

Key: TypeAlias = tuple[str, str]  # relay, attribute
SHOWN = 6  # of many alike
# a reading carries the time its reply was taken, and both sides wait for a turn on a busy machine
NEAR_S = 2.0
FIRST_READ_S = 2.0  # from the first answer of the service until each relay has its turn
LASTED_S = 2.0 * float(INTERVALS["nameplate_s"]) + float(INTERVALS["confirm_after_restart_s"]) + 3.0


def received_is_recorded(
    lines: Sequence[bytes], events: Sequence[Recorded], site: str
) -> list[str]:
    """Whatever a subscriber was told stands in the journal, byte for byte."""
    bodies = {one.seq: event_body(one, site=site, bytes_max=None).payload for one in events}
    wrong = [line for line in lines if line not in set(bodies.values())]
    return few("told, and not in the journal", wrong)


def recorded_is_received(seqs: Sequence[int], last: int, crashes: int) -> list[str]:
    """All of it, in order; going back is allowed once for each crash, going over never."""
    wrong = few("in the journal, and never told", sorted(set(range(1, last + 1)) - set(seqs)))
    back = 0
    for before, after in zip([0, *seqs], seqs, strict=False):
        if after > before + 1:
            wrong.append(f"event {after} was told right after {before}")
        back += after <= before
    if back > crashes:
        wrong.append(f"went back {back} times with {crashes} crashes")
    return wrong


def answered_is_recorded(asked: Iterable[Asked], events: Sequence[Recorded]) -> list[str]:
    """A command that was answered was carried out once; one that was refused, not at all.

    What followed of it, an alarm that is over for example, has its cause and is nobody's.
    """
    found: defaultdict[str | None, list[str]] = defaultdict(list)
    for one in events:
        if one.event.by is not None:
            found[one.event.cause].append(one.event.subject)
    wrong = []
    for one_asked in asked:
        wanted = one_asked.relays if one_asked.answer is not None else []
        if found[one_asked.number] != wanted:
            wrong.append(f"{one_asked}: {found[one_asked.number]} recorded")
    return few("commands", wrong)


# Truth against the journal.


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """A value that could be read from `since` to `until`, seconds since epoch."""

    value: Any
    since: float
    until: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """seq: of the event; seen: when the value was first read."""

    seq: int
    before: Any
    after: Any
    seen: float


def spans(truth: Iterable[dict[str, Any]], end: float) -> dict[Key, list[Span]]:
    """The simulator's lines as values and how long they stood."""
    found: defaultdict[Key, list[Span]] = defaultdict(list)
    for line in truth:
        at = datetime.fromisoformat(line["at"]).timestamp()
        row = found[line["relay"], line["attribute"]]
        if row:
            row[-1] = Span(value=row[-1].value, since=row[-1].since, until=at)
        else:
            row.append(Span(value=line["before"], since=0.0, until=at))
        row.append(Span(value=line["after"], since=at, until=end))
    return dict(found)


def tellings(events: Sequence[Recorded]) -> dict[Key, list[Told]]:
    """Changes of nameplates and flags as recorded, in order."""
    found: defaultdict[Key, list[Told]] = defaultdict(list)
    for one in events:
        for name, before, after, seen in _told(one.event.body):
            told = Told(seq=one.seq, before=before, after=after, seen=seen.timestamp())
            found[one.event.subject, name].append(told)
    return found


def _told(body: ev.Body) -> Iterator[tuple[str, Any, Any, datetime]]:
    match body:
        case ev.NameplateFirstRead(nameplate=nameplate, first_new_at=at):
            for name, value in flat(nameplate).items():
                yield name, None, value, at
        case ev.NameplateChanged(changes=changes, first_new_at=at):
            for change in changes:
                yield change.attribute, change.before, change.after, at
        case ev.FlagRose(flag=flag, first_new_at=at):
            yield f"flag:{flag}", False, True, at
        case ev.FlagFell(flag=flag, first_new_at=at):
            yield f"flag:{flag}", True, False, at


def told_is_true(
    truth: dict[Key, list[Span]], told: dict[Key, list[Told]], up: Sequence[tuple[float, float]]
) -> list[str]:
    """Each telling is of a span of its own and follows the one before it, and every span that
    lasted while the poller was up is known."""
    wrong: list[str] = []
    for key, rows in truth.items():
        wrong += [f"{key[0]} {key[1]}: {one}" for one in _one(rows, told.get(key, []), up)]
    for key in told.keys() - truth.keys():
        later = [one for one in told[key] if one.before is not None]
        wrong += [f"{key[0]} {key[1]}: event {one.seq}, and nothing happened" for one in later]
    return few("changes", wrong)


def _one(
    rows: Sequence[Span], told: Sequence[Told], up: Sequence[tuple[float, float]]
) -> Iterator[str]:
    known = False if isinstance(rows[0].value, bool) else rows[0].value
    place, after_place = 0, [known] * len(rows)  # what the journal holds at the end of each span
    for one in told:
        if one.before is not None and one.before != known:
            yield f"event {one.seq} says it was {one.before!r}; the journal held {known!r}"
        first = place if one.before is None else place + 1
        matching = (n for n in range(first, len(rows)) if _is_of(one, rows[n]))
        found = next(matching, None)
        if found is None:
            yield f"event {one.seq} says {one.after!r}, told before or never so at that time"
            continue
        place, known = found, one.after
        after_place[found:] = [known] * (len(rows) - found)
    for number, span in enumerate(rows):
        if _lasted(span, up) and after_place[number] != span.value:
            yield (
                f"{span.value!r} stood for {span.until - span.since:.1f} s and was not told; "
                f"the journal held {after_place[number]!r}"
            )


def _is_of(one: Told, span: Span) -> bool:
    near = span.since - NEAR_S <= one.seen <= span.until + NEAR_S
    return near and one.after == span.value


def _lasted(span: Span, up: Sequence[tuple[float, float]]) -> bool:
    """Long enough within one life of the poller."""
    return any(
        min(span.until, gone) - max(span.since, ready + FIRST_READ_S) > LASTED_S
        for ready, gone in up
    )


def owed(truth: dict[Key, list[Span]], up: Sequence[tuple[float, float]]) -> int:
    """How many spans lasted: what the trial can't have missed."""
    return sum(_lasted(span, up) for rows in truth.values() for span in rows)


def few(what: str, wrong: Sequence[object]) -> list[str]:
    more = [f"{what}: {len(wrong) - SHOWN} more"] if len(wrong) > SHOWN else []
    return [f"{what}: {one!s:.400}" for one in wrong[:SHOWN]] + more


def repeats(seqs: Sequence[int]) -> int:
    return sum(Counter(seqs).values()) - len(set(seqs))
