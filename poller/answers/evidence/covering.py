"""Which events tell that a relay was read, and which why it could not be."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any, Final, TypeAlias

from poller.answers.evidence.coverage import Seen
from poller.answers.evidence.report import Span
from poller.answers.words import moment
from poller.model.events import Event, WorkMoved
from poller.model.standing import State
from poller.model.work import AT_WORK

Step: TypeAlias = Callable[[Seen, Event, Any], None]


def _listed(seen: Seen, event: Event, body: Any) -> None:
    seen.listed(event.at.date())


def _delisted(seen: Seen, event: Event, body: Any) -> None:
    seen.delisted(event.at.date())


def _read(seen: Seen, event: Event, body: Any) -> None:
    seen.read(date.fromisoformat(body.day), body.reads_before)


def _silent(seen: Seen, event: Event, body: Any) -> None:
    seen.held_up("silent", f"silent since {moment(body.last_answer_at or event.at)}")


def _paused(seen: Seen, event: Event, body: Any) -> None:
    seen.held_up("paused", f"a person paused polling on {moment(event.at)}")


def _unreadable(seen: Seen, event: Event, body: Any) -> None:
    seen.held_up("unreadable", f"nameplate unreadable since {moment(body.since)}")


def _no_map(seen: Seen, event: Event, body: Any) -> None:
    seen.held_up("map", f"no map fitted from {moment(event.at)}")


def _work(seen: Seen, event: Event, body: WorkMoved) -> None:
    if body.after in AT_WORK:
        seen.held_up(body.work, f"work {body.work} was under way from {moment(event.at)}")
    else:
        seen.freed(body.work)


STEPS: Final[dict[str, Step]] = {
    "relay_listed": _listed,
    "relay_delisted": _delisted,
    "relay_seen": _read,
    "relay_silent": _silent,
    "relay_answering": lambda seen, event, body: seen.freed("silent"),
    "relay_paused": _paused,
    "relay_resumed": lambda seen, event, body: seen.freed("paused"),
    "identity_unreadable": _unreadable,
    "identity_readable": lambda seen, event, body: seen.freed("unreadable"),
    "no_valid_map": _no_map,
    "map_chosen": lambda seen, event, body: seen.freed("map"),
    "work_moved": _work,
}
POLLER: Final = ("service_started", "service_stopped")
STOPPED: Final = "the poller"  # the key of what stands in the way of all


@dataclass(slots=True)
class Covering:
    """Of every relay. state: before the first event that is given."""

    span: Span
    state: State
    seen: dict[str, Seen] = field(default_factory=dict)
    _running: bool = False
    _stopped_at: datetime | None = None

    def __post_init__(self) -> None:
        """What stood already: only where older events were pruned is there any."""
        self._running = self.state.running
        for name, relay in self.state.relays.items():
            seen = self.of(name)
            if relay.listed:
                seen.listed(date.min)
            if relay.seen_day is not None:
                seen.read(date.fromisoformat(relay.seen_day), 0)
            if relay.answering is False and relay.answering_since is not None:
                seen.held_up("silent", f"silent since {moment(relay.answering_since)}")
            if relay.paused:
                seen.held_up("paused", "a person had paused polling")

    def take(self, event: Event) -> None:
        body = event.body
        if body.kind in STEPS:
            STEPS[body.kind](self.of(event.subject), event, body)
        elif body.kind == "service_started":
            began = moment(event.at)
            stopped = "" if self._stopped_at is None else moment(self._stopped_at)
            for seen in self.seen.values():
                seen.freed(STOPPED, f"the poller did not run from {stopped} to {began}")
                if self._running:
                    seen.noted(f"the poller began anew on {began}; it had not ended well")
            self._running = True
        elif body.kind == "service_stopped":
            for seen in self.seen.values():
                seen.held_up(STOPPED, f"the poller was stopped on {moment(event.at)}")
            self._running, self._stopped_at = False, event.at

    def of(self, name: str) -> Seen:
        if name not in self.seen:
            first, last = self.span.first, self.span.last
            touched = (last - timedelta(milliseconds=1)).date()
            self.seen[name] = Seen(first=first.date(), last=touched, over=last.date())
        return self.seen[name]
