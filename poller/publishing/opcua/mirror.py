"""What one life of the OPC UA process was told, and what it has to be told next: pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any

from poller.alarms import folds
from poller.model import events as ev
from poller.model.alarms import Alarm, Priority
from poller.model.canonical import plain
from poller.model.standing import Relay, State
from poller.publishing.opcua.conditions import Condition, condition_of, is_shown
from poller.publishing.opcua.relays import RelayView, relay_view

Message = dict[str, Any]


class Mirror:
    """Made anew for each life of the process. site: what people call it."""

    def __init__(self, site: str, severities: Mapping[Priority, int]) -> None:
        self._site, self._severities = site, severities
        self.seq: int | None = None  # of the last event that it was told; None: it knows nothing
        self._book: folds.Book = {}
        self._relays: dict[str, Relay] = {}
        self._views: dict[str, RelayView] = {}
        self._conditions: dict[str, Condition] = {}

    def bring_up(self, events: Sequence[ev.Recorded], state: State) -> Iterator[Message]:
        """What to tell, in order; state is not older than events.

        Relays as they are now. Alarms by each event, so that none that came and went between two
        deliveries is left out; as they are now where the events before these are not to be had.
        """
        yield from self._relays_now(state)
        seq = self.seq
        if seq is None or (events and events[0].seq > seq + 1):
            self._book = state.alarms
            yield from self._conditions_now()
            self.seq = state.seq
        else:
            for recorded in events:
                if recorded.seq > seq:
                    yield from self._moved(recorded.event)
                    self.seq = recorded.seq
        yield {"do": "up_to", "seq": self.seq}

    def _relays_now(self, state: State) -> Iterator[Message]:
        for name, relay in state.relays.items():
            # the fold leaves alone what did not move
            if self._relays.get(name) is not relay:
                self._relays[name] = relay
                yield from self._relay_now(name, relay)

    def _relay_now(self, name: str, relay: Relay) -> Iterator[Message]:
        before, now = self._views.get(name), relay_view(name, relay) if relay.listed else None
        if now == before:
            return
        if now is None:
            del self._views[name]
        else:
            self._views[name] = now
            yield {"do": "relay", "relay": plain(now)}
        if now is None or before is None or now.label != before.label:
            # its conditions hang on it; those of a relay that is gone hang on the site
            for alarm in [one for one in self._book.values() if one.subject == name]:
                yield from self._condition_now(alarm)
        if now is None:
            yield {"do": "no_relay", "relay": name}

    def _moved(self, event: ev.Event) -> Iterator[Message]:
        body: Any = event.body
        if body.kind in folds.FOLDS:
            before = self._book
            self._book = folds.folded(before, event)
            if body.alarm in self._book:
                yield from self._condition_now(self._book[body.alarm], event.at)
            if len(self._book) < len(before) + (body.alarm not in before):
                yield from self._conditions_now()  # the oldest at rest were dropped
        elif isinstance(body, ev.ClockStepped):
            self._book = folds.stepped(self._book, body.by_ms)
            yield from self._conditions_now()

    def _conditions_now(self) -> Iterator[Message]:
        for name in [name for name in self._conditions if name not in self._book]:
            del self._conditions[name]
            yield {"do": "no_condition", "alarm": name}
        for alarm in list(self._book.values()):
            yield from self._condition_now(alarm)

    def _condition_now(self, alarm: Alarm, at: datetime | None = None) -> Iterator[Message]:
        before = self._conditions.get(alarm.id)
        if not is_shown(alarm):
            if self._conditions.pop(alarm.id, None) is not None:
                yield {"do": "no_condition", "alarm": alarm.id}
            return
        view = self._views.get(alarm.subject)
        now = condition_of(
            alarm,
            severities=self._severities,
            source=alarm.subject if view else "",
            source_name=view.label if view else self._site,
            before=before,
            at=at,
        )
        if now is not before:
            self._conditions[alarm.id] = now
            yield {"do": "condition", "condition": plain(now)}
