"""One alarm of an invented relay, moved by hand: a condition that comes and goes, and people."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any, Final

from poller.alarms.book import ANSWERS
from poller.alarms.folds import folded, stepped
from poller.alarms.following import Follower, followed
from poller.alarms.requests import (
    AckAlarm,
    AlarmRequest,
    ResetLatch,
    ReturnToService,
    ShelveAlarm,
    TakeOutOfService,
    UnshelveAlarm,
)
from poller.model.alarms import Alarm, Condition
from poller.model.events import AlarmMoved, Body, Event
from poller.site.alarm_catalogue import Catalogue, Entry

T0: Final = datetime(2026, 3, 1, 8, 0, tzinfo=UTC)
ID: Final = "q01.silent"
PERSON: Final = "J. Kral"

ENTRY: Final = Entry(
    id="silent",
    condition="silent",
    audience=("operator_alarm",),
    priority="low",
    on_delay_s=0,
    off_delay_s=0,
    consequence="x",
    response="x",
    time_to_respond_min=60,
    reason="x",
)
CATALOGUE: Final = Catalogue(format=1, entries=(ENTRY,))


def entry(**new: Any) -> Entry:
    return Entry.model_validate({**ENTRY.model_dump(), **new})


def holds(words: str = "") -> Condition:
    """words: of work w1; another text is another occurrence."""
    work = "w1" if words == "w1" else None
    return Condition(
        alarm=ID,
        entry="silent",
        subject="q01",
        since=T0,
        says=f"it does not answer {words}".strip(),
        occurrence="" if work else words,
        work=work,
    )


REQUESTS: Final[dict[str, AlarmRequest]] = {
    "ack": AckAlarm(alarm=ID, why="seen"),
    "shelve": ShelveAlarm(alarm=ID, for_s=3_600, why="crew at the relay"),
    "unshelve": UnshelveAlarm(alarm=ID, why="crew gone"),
    "out": TakeOutOfService(alarm=ID, why="rebuilt"),
    "back": ReturnToService(alarm=ID, why="rebuilt"),
    "reset": ResetLatch(alarm=ID, why="seen"),
}


class One:
    """told: every event so far."""

    def __init__(self, one: Entry = ENTRY, catalogue: Catalogue = CATALOGUE) -> None:
        self.entry: Entry | None = one
        self.catalogue = catalogue
        self.condition: Condition | None = None
        self.alarm = Alarm(id=ID, entry="silent", subject="q01", since=T0)
        self.told: list[Body] = []

    def do(self, at_s: float, word: str) -> list[Body]:
        """A request by its name; + the condition holds, - it does not, each with a look at it.

        +w1: by work; +TEXT: another occurrence. A dot: only a look.
        """
        if word in REQUESTS:
            return self.ask(at_s, REQUESTS[word])
        if word == "-":
            self.condition = None
        elif word != ".":
            self.condition = holds(word.removeprefix("+"))
        return self._take(Follower.follow, T0 + timedelta(seconds=at_s), None)

    def ask(self, at_s: float, request: AlarmRequest) -> list[Body]:
        def step(one: Follower) -> None:
            ANSWERS[type(request)](one, request)

        return self._take(step, T0 + timedelta(seconds=at_s), PERSON)

    def _take(self, step: Any, at: datetime, by: str | None) -> list[Body]:
        told = followed(self.alarm, self.condition, self.entry, self.catalogue, at, step)
        for body in told:
            event = Event(at=at, subject="q01", body=body, by=by)
            self.alarm = folded({ID: self.alarm}, event)[ID]
        self.told += told
        return told

    def stepped(self, by_ms: int) -> None:
        self.alarm = stepped({ID: self.alarm}, by_ms)[ID]

    @property
    def annunciations(self) -> int:
        return sum(
            isinstance(body, AlarmMoved) and body.annunciated and body.after.value == "B"
            for body in self.told
        )


def with_catalogue(**new: Any) -> Catalogue:
    return Catalogue.model_validate({**CATALOGUE.model_dump(), **new})
