"""What happened: recorded events as a person or a program reads them, and a choice among them."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime

from poller.answers.sentences import sentence
from poller.answers.words import position
from poller.model import limits
from poller.model.canonical import stamp
from poller.model.events import ChangeClass, NameplateChanged, Recorded
from poller.model.standing import State
from poller.model.text import shown


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One event. at: UTC by model.canonical.stamp. subject: a relay's id, an output's, or "".

    position: the relay's bay and function, None for what is about the poller itself. change: the
    class of a nameplate change. by: the person; cause: id of the event or command that led to it.
    """

    seq: int
    id: str
    at: str
    kind: str
    subject: str
    position: str | None
    sentence: str
    by: str | None
    cause: str | None
    change: ChangeClass | None


def entry(recorded: Recorded, state: State) -> Entry:
    """state: any that knows the relay; its bay and function name it, as they are there."""
    event = recorded.event
    return Entry(
        seq=recorded.seq,
        id=recorded.id,
        at=stamp(event.at),
        kind=event.body.kind,
        subject=event.subject,
        position=position(event.subject, state) if event.subject in state.relays else None,
        sentence=sentence(event, state),
        by=None if event.by is None else shown(event.by, limits.PERSON_MAX),
        cause=event.cause,
        change=event.body.change if isinstance(event.body, NameplateChanged) else None,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """Which events. Empty or None: not asked. since is included, until is not."""

    subjects: Collection[str] = ()
    kinds: Collection[str] = ()
    without_kinds: Collection[str] = ()
    changes: Collection[ChangeClass] = ()
    since: datetime | None = None
    until: datetime | None = None
    by: str | None = None

    def has(self, recorded: Recorded) -> bool:
        """Whether everything that is asked for holds of this event."""
        event = recorded.event
        kind = event.body.kind
        if self.changes and not (
            isinstance(event.body, NameplateChanged) and event.body.change in self.changes
        ):
            return False
        return (
            (not self.subjects or event.subject in self.subjects)
            and (not self.kinds or kind in self.kinds)
            and kind not in self.without_kinds
            and (self.since is None or event.at >= self.since)
            and (self.until is None or event.at < self.until)
            and (self.by is None or event.by == self.by)
        )


def entries(
    events: Iterable[Recorded], state: State, wanted: Wanted | None = None
) -> Iterator[Entry]:
    """The events that are wanted, in the order given; one at a time, however long the journal."""
    for recorded in events:
        if wanted is None or wanted.has(recorded):
            yield entry(recorded, state)
