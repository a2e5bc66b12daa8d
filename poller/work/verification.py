"""Whether work took, line by line: what was expected, what was read and when.

What was read says that the relay is what was planned. That it trips, only a person's functional
test says, which is a line of its own.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from poller.model.nameplate import Nameplate, flat
from poller.model.standing import Relay, shown
from poller.model.status import Behaviour, Health, Quality, StatusReading
from poller.model.work import Line, Work
from poller.site.register_map import RegisterMap
from poller.site.settings import Site
from poller.work.against_plan import same
from poller.work.line_names import (
    ANSWERING,
    BEHAVIOUR,
    FLAGS,
    GROUPS,
    HEALTH,
    NOT_READ,
    RAISED_BY_WORK,
    SOAK,
    TEST,
    last,
)
from poller.work.next_step import next_step

__all__ = ["holds", "lines", "next_step"]

NONE_STANDS: Final = "none"


@dataclass(frozen=True, slots=True, kw_only=True)
class Looked:
    """All that the lines are made of. reading: None where there is no good one since the end."""

    work: Work
    relay: Relay
    site: Site
    reading: StatusReading | None
    since: datetime | None  # what was read before is of the time before the work; None: all is

    @property
    def map(self) -> RegisterMap | None:
        return self.site.maps.get(self.relay.map or "")


def lines(
    work: Work, relay: Relay, site: Site, reading: StatusReading | None, at: datetime
) -> tuple[Line, ...]:
    """Every line of the verification, the attributes first, soak and test last.

    Values that the relay's map does not tell have no line. Before its nameplate was read again
    after the work, no line that is read says anything.
    """
    since = None if work.reread_at is None else work.ended_at or work.reread_at
    fresh = (
        reading is not None
        and reading.quality is Quality.GOOD
        and since is not None
        and reading.at >= since
    )
    looked = Looked(
        work=work, relay=relay, site=site, reading=reading if fresh else None, since=since
    )
    found = [*_attributes(looked), *_status(looked), _answering(looked)]
    return (*found, _soak(looked, found, at), functional_test(looked.work))


def holds(told: Sequence[Line]) -> bool:
    """Every line that is read holds: all but the soak and the functional test."""
    return all(line.ok is True for line in told if line.name not in NOT_READ)


def _attributes(looked: Looked) -> Iterator[Line]:
    """As planned; what the plan does not speak of is to be what it was."""
    plan = looked.work.plan
    expected = {name: text for name, text in plan.before.items() if _is_checked(name)}
    expected |= plan.expects
    plate, at = _nameplate(looked)
    values = {} if plate is None else flat(plate)
    for name in sorted(expected, key=_place):
        read = values.get(name)
        ok = None
        if plate is not None and read is not None:
            ok = same(looked.site, plate, name, expected[name], read)
        yield Line(name=name, expected=expected[name], read=read, at=at, ok=ok)


def _is_checked(name: str) -> bool:
    return any(last(name) in group for group in GROUPS)


def _place(name: str) -> tuple[int, bool, str]:
    """Firmware, the box, its settings, then what else the plan expects; the device's own first."""
    places = [at for at, group in enumerate(GROUPS) if last(name) in group]
    return (places[0] if places else len(GROUPS)), "." in name, name


def _nameplate(looked: Looked) -> tuple[Nameplate | None, datetime | None]:
    """What was read since the work ended, and when; None: nothing was, or it can't be read now."""
    relay, work = looked.relay, looked.work
    if looked.since is None or relay.unreadable_since is not None:
        return None, None
    if relay.nameplate is None:
        entered = relay.manual
        known = entered is not None and entered.read_at >= looked.since
        return (shown(relay), entered.read_at) if entered is not None and known else (None, None)
    read_at = [at for at in (work.reread_at, relay.nameplate_since) if at is not None]
    return relay.nameplate, max(read_at)


def _status(looked: Looked) -> Iterator[Line]:
    known = looked.map
    if known is None:
        return
    if known.status.health is not None:
        health = None if looked.reading is None else looked.reading.status.health
        yield _read(looked, HEALTH, Health.OK.name, None if health is None else health.name)
    if known.status.behaviour is not None:
        mode = None if looked.reading is None else looked.reading.status.behaviour
        yield _read(looked, BEHAVIOUR, Behaviour.ON.name, None if mode is None else mode.name)
    if RAISED_BY_WORK & known.flags.keys():
        yield _read(looked, FLAGS, NONE_STANDS, _standing(looked.reading, looked.relay))


def _standing(reading: StatusReading | None, relay: Relay) -> str | None:
    """One reading without it clears no flag that stood: two must agree, as everywhere."""
    if reading is None or reading.quality_of("flags") is not Quality.GOOD:
        return None
    read = {name for name, stands in reading.status.flags if stands}
    names = sorted(RAISED_BY_WORK & (read | relay.flags.keys()))
    return ", ".join(names) or NONE_STANDS


def _read(looked: Looked, name: str, expected: str, read: str | None) -> Line:
    """A line of the status. Until there is a good reading it says what it said before."""
    expected = expected.lower().replace("_", " ")
    if looked.reading is None:
        before = next((line for line in looked.work.lines if line.name == name), None)
        return before or Line(name=name, expected=expected, read=None, at=None, ok=None)
    told = read if read is None or name == FLAGS else read.lower().replace("_", " ")
    at = looked.reading.at
    return Line(
        name=name,
        expected=expected,
        read=told,
        at=at,
        ok=None if told is None else told == expected,
    )


def _answering(looked: Looked) -> Line:
    answering = None if looked.since is None else looked.relay.answering
    told = None if answering is None else answering and not looked.relay.paused
    return Line(
        name=ANSWERING,
        expected="yes",
        read=None if told is None else "yes" if told else "no",
        at=None
        if told is None
        else looked.reading.at
        if looked.reading is not None
        else looked.relay.answering_since,
        ok=told,
    )


def _soak(looked: Looked, others: Sequence[Line], at: datetime) -> Line:
    """Says nothing until it is over, so that the time that passes is no news."""
    length = timedelta(seconds=looked.site.file.work.soak_s)
    held_since = looked.work.held_since
    over = holds(others) and held_since is not None and at - held_since >= length
    return Line(
        name=SOAK,
        expected=f"all of these for {looked.site.file.work.soak_s} s",
        read="held" if over else None,
        at=held_since + length if over and held_since is not None else None,
        ok=True if over else None,
    )


def functional_test(work: Work) -> Line:
    """What a person noted, and no reading says."""
    note = work.tested
    if note is None:
        return Line(name=TEST, expected="passed", read=None, at=None, ok=None)
    return Line(name=TEST, expected="passed", read="passed", at=note.at, ok=True)
