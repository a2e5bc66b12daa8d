"""How each alarm went by the journal, event for event, held to the standard's table of letters."""

from __future__ import annotations

import csv
from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Final

from poller.model import events as ev
from poller.model.events import Recorded
from tests.trials.alarm_times import Part, Times, joined

# ANSI/ISA-18.2-2016 and IEC 62682, secondary: read in quotations, not in the standards themselves.
CHECKS: Final = Path(__file__).parents[1] / "checks" / "alarm_transitions.csv"
TABLE: Final = {
    (letter, row["event"]): row["to"]
    for row in csv.DictReader(CHECKS.read_text(encoding="utf-8").splitlines())
    for letter in ("ABCD" if row["from"] == "A-D" else row["from"])
}
LETTERS: Final = {"out_of_service": "G", "suppressed_by_design": "F", "shelved": "E"}
BEGINS: Final = {
    "shelved": "operator shelve",
    "suppressed_by_design": "designed suppression",
    "out_of_service": "remove from service",
}
ENDS: Final = {
    "shelved": "unshelve or time limit, condition",
    "suppressed_by_design": "suppression ends,",
    "out_of_service": "return to service,",
}
WORDS: Final = {"returns": "return to normal", "acknowledged": "operator acknowledge"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Stand:
    """How an alarm stands after an event. state: A to D below whatever keeps it back."""

    state: str = "A"
    kept: frozenset[str] = frozenset()
    latched: bool = False
    chattering: bool = False

    @property
    def letter(self) -> str:
        return next((LETTERS[one] for one in LETTERS if one in self.kept), self.state)

    @property
    def active(self) -> bool:
        return self.state in "BC"


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    at: float
    event: Recorded
    body: Any
    before: Stand
    after: Stand


@dataclass(slots=True)
class Track:
    """steps: every event of the alarm, in order. faults: what, and when."""

    alarm: str
    subject: str
    entry: str
    steps: list[Step] = field(default_factory=list)
    faults: list[tuple[str, float]] = field(default_factory=list)

    def at(self, time: float) -> Stand:
        """After all that happened up to then."""
        number = bisect_right(self.steps, time, key=lambda step: step.at)
        return self.steps[number - 1].after if number else Stand()

    def moves(self, *happenings: str) -> Iterator[Step]:
        return (
            step
            for step in self.steps
            if isinstance(step.body, ev.AlarmMoved) and step.body.happening in happenings
        )

    def kept(self, why: str, ends: float) -> list[Part]:
        """When it was kept back so."""
        times = [step.at for step in self.steps] + [ends]
        return joined(
            (step.at, times[number + 1])
            for number, step in enumerate(self.steps)
            if why in step.after.kept
        )


def tracks(times: Times) -> dict[str, Track]:
    found: dict[str, Track] = {}
    for one in times.ran.events:
        body: Any = one.event.body
        if not hasattr(body, "alarm"):
            continue
        if body.alarm not in found:
            if not hasattr(body, "entry"):
                continue
            found[body.alarm] = Track(body.alarm, one.event.subject, body.entry)
        _take(found[body.alarm], one, times.of[one.seq])
    return found


def _take(track: Track, one: Recorded, at: float) -> None:
    before = track.steps[-1].after if track.steps else Stand()
    body: Any = one.event.body
    after, faults = before, list(_left_open(track, one))
    match body:
        case ev.AlarmMoved():
            faults += _moved(before, track, one)
            after = replace(before, state=body.after.value, chattering=body.chattering)
            if body.happening in ("occurs", "returns"):
                after = replace(after, latched=False)
        case ev.AlarmInhibited():
            kept = before.kept | {body.inhibit.value}
            after = replace(before, kept=kept)
            if before.kept == kept or (body.inhibit != "suppressed_by_design" and not one.event.by):
                faults.append(f"it is {body.inhibit} again, or by nobody")
            if not before.kept and TABLE[before.state, BEGINS[body.inhibit]] != after.letter:
                faults.append(f"{BEGINS[body.inhibit]} led from {before.letter} to {after.letter}")
        case ev.AlarmReleased():
            after = replace(before, kept=before.kept - {body.inhibit.value})
            if body.inhibit not in before.kept:
                faults.append(f"it was not {body.inhibit}")
        case ev.AlarmLatched():
            after = replace(before, latched=body.held)
    track.faults += [(f"event {one.seq}, {track.alarm}: {fault}", at) for fault in faults]
    track.steps.append(Step(at=at, event=one, body=body, before=before, after=after))


def _moved(before: Stand, track: Track, one: Recorded) -> Iterator[str]:
    body: Any = one.event.body
    if body.before != before.state:
        yield f"it moved from {body.before}, and stood at {before.state}"
    if body.annunciated != (not before.kept):
        yield f"annunciated is {body.annunciated}, and it was kept back by {sorted(before.kept)}"
    if body.happening.startswith("released"):
        last = track.steps[-1].body if track.steps else None
        words = "alarm" if body.happening == "released_alarm" else "normal"
        if not isinstance(last, ev.AlarmReleased) or before.kept:
            yield "it was released, and nothing ended that kept it back"
        else:
            letter = LETTERS[last.inhibit]
            if TABLE[letter, f"{ENDS[last.inhibit]} {words}"] != body.after:
                yield f"{ENDS[last.inhibit]} {words} led from {letter} to {body.after}"
            unseen = last.inhibit == "suppressed_by_design"  # its condition may be over with it
            if before.active != (words == "alarm") and not (unseen and words == "normal"):
                yield f"it came back at {before.state}, and is told to be {words}"
        return
    occurs = "alarm occurs" if before.state == "A" else "re-alarm"
    word = WORDS.get(body.happening, occurs)
    if TABLE.get((before.state, word)) != body.after:
        yield f"{word} led from {before.state} to {body.after}"
    person, operator = one.event.by is not None, "operator_alarm" in body.audience
    if body.happening == "acknowledged" and not person and (operator or before.state != "D"):
        yield "it is acknowledged, and by nobody"
    if body.happening == "acknowledged" and before.kept:
        yield "it is acknowledged while it is kept back"


def _left_open(track: Track, one: Recorded) -> Iterator[str]:
    """When the last that kept it back ends, the next event says how it stands."""
    if not track.steps:
        return
    last = track.steps[-1]
    if not isinstance(last.body, ev.AlarmReleased) or last.after.kept or last.after.state == "A":
        return
    body: Any = one.event.body
    if not (isinstance(body, ev.AlarmMoved) and body.happening.startswith("released")):
        yield f"it came back, and nobody was told that it stands at {last.after.state}"
