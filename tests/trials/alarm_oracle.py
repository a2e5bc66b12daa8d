"""Judges a run by its alarms: check 7, beside the six of `oracle`.

What ought to have been told comes from `alarm_courses` and `alarm_silence`, what was told from
`alarm_tracks`, which holds it to the standard's table; `alarm_judged` compares them. A difference
of a look at the alarms, of the dead time of the poller, and of what nobody can know after the wall
clock was set, is none.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any, Final, TypeAlias

from poller.alarms import requests as ask
from poller.model.alarms import Cause
from poller.model.status import Behaviour, Health
from poller.site.alarm_catalogue import Catalogue, Entry
from poller.site.shipped_alarms import catalogue_of
from tests.trials.alarm_courses import Course, Facts, courses
from tests.trials.alarm_judged import Judged
from tests.trials.alarm_silence import silence
from tests.trials.alarm_times import TOL_S, Times
from tests.trials.alarm_tracks import Stand, Track, tracks
from tests.trials.hands import DeedDone
from tests.trials.trial import Ran
from tests.trials.work_oracle import Fault

CHECK: Final = 7
CALM_S: Final = 1_200.0  # past any delay of a trial and any pause of a gateway's absent unit
Wrong: TypeAlias = tuple[str, Track, float]
"""What, of which alarm, when."""


def faults(ran: Ran) -> Iterator[Fault]:
    """Everything that is wrong with what was told of alarms."""
    for says, track, at in _all(ran):
        yield CHECK, says, track.subject, at


def _all(ran: Ran) -> Iterator[Wrong]:
    times = Times(ran)
    went = tracks(times)
    facts = Facts(times, went)
    ought = courses(facts) | dict(silence(facts))
    catalogue = catalogue_of(ran.drawn.site)
    entries = {entry.id: entry for entry in catalogue.entries}
    for name in sorted(went.keys() | ought.keys()):
        track = _track(went, name)
        entry = ought[name].entry if name in ought else entries.get(track.entry)
        if entry is None:
            yield f"{name}: no entry of the catalogue is for it", track, 0.0
            continue
        one = Judged(times, catalogue, entry, track, ought.get(name, Course(entry)))
        yield from ((says, track, at) for says, at in one.faults())
        yield from _never_healed(ran, entry, track)
    yield from _people(times, catalogue, went)


def _track(went: dict[str, Track], name: str) -> Track:
    return went.get(name) or Track(name, name.partition(".")[0], "")


# At the end everything is healed, in truth and whatever the journal says.

TRUE: Final[dict[Cause, tuple[str, Callable[[Any], bool]]]] = {
    Cause.SILENT: ("answering", lambda value: value is False),
    Cause.NOT_IN_SERVICE: ("behaviour", lambda value: value != Behaviour.ON),
    Cause.RELAY_FAILURE: ("health", lambda value: value == Health.ALARM),
    Cause.RELAY_FAILURE_WIRED: ("health", lambda value: value == Health.ALARM),
    Cause.FLAG: ("flag:{flag}", bool),
    Cause.FLAG_LEFT: ("flag:{flag}", bool),
}
"""What is true of a relay while it has such an alarm."""


def _never_healed(ran: Ran, entry: Entry, track: Track) -> Iterator[Wrong]:
    stand, ends = track.at(ran.lives[-1][1]), ran.lives[-1][1]
    if entry.cause not in TRUE or not stand.active or stand.latched or stand.chattering:
        return
    attribute, holds = TRUE[entry.cause]
    told = attribute.format(flag=entry.flag or track.alarm.rsplit(".", 1)[-1])
    true = [
        (at, one.after)
        for at, one in ran.truths
        if (one.relay, one.attribute) == (track.subject, told)
    ]
    if true and true[-1][0] < ends - CALM_S and not holds(true[-1][1]):
        yield f"{track.alarm} stands at the end, and {told} is {true[-1][1]}", track, ends


# People: what they asked for happened, or was refused for a reason.


def _people(times: Times, catalogue: Catalogue, went: dict[str, Track]) -> Iterator[Wrong]:
    by_number = {one.number: one for one in times.ran.deeds}
    done: set[str] = set()
    for name, track in went.items():
        for step in track.steps:
            event = step.event.event
            if event.by is None:
                continue
            deed = by_number.get(event.cause or "")
            if deed is None or deed.refused or getattr(deed.command, "alarm", "") != name:
                yield f"event {step.event.seq}, {name}: nobody asked for that", track, step.at
            elif event.cause not in done and not _fits(deed, step.before, catalogue):
                yield f"event {step.event.seq}, {name}: {deed.command} was no good", track, step.at
            done.add(event.cause or "")
    for deed in times.ran.deeds:
        name = getattr(deed.command, "alarm", None)
        if name is None or deed.answered is None:
            continue
        if not deed.refused and deed.number not in done:
            yield (
                f"{deed.command} was answered, and nothing happened",
                _track(went, name),
                deed.answered,
            )
        if deed.refused and not _unsure(times, went.get(name), deed):
            stand = _track(went, name).at(deed.answered)
            if _fits(deed, stand, catalogue):
                says = f"{deed.command} is refused, {deed.refused}, at {stand.letter}"
                yield says, _track(went, name), deed.answered


def _unsure(times: Times, track: Track | None, deed: DeedDone) -> bool:
    """The journal does not say how it stood when a person was refused."""
    at = deed.answered or 0.0
    alive = any(start <= at < end for start, end in times.lives)
    near = track is not None and any(abs(step.at - at) < TOL_S for step in track.steps)
    return not alive or near


def _fits(deed: DeedDone, stand: Stand, catalogue: Catalogue) -> bool:
    """What the standard, and the catalogue, let a person do to an alarm that stands so."""
    match deed.command:
        case ask.AckAlarm(over=over):
            return over == catalogue.acknowledged_over and stand.letter in "BD"
        case ask.ShelveAlarm(for_s=for_s):
            return "shelved" not in stand.kept and for_s <= catalogue.shelving_max_h * 3_600
        case ask.UnshelveAlarm():
            return "shelved" in stand.kept
        case ask.TakeOutOfService():
            return "out_of_service" not in stand.kept
        case ask.ReturnToService():
            return "out_of_service" in stand.kept
        case ask.ResetLatch():
            return stand.latched
    return True
