"""Journal events as what changed then: historical metrics of a relay, or of the node.

Told where a live metric did not tell it: of what was missed while nobody was there, and of what was
over again before it could be told.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any, Final, TypeAlias

from poller.alarms.conditions import NETWORK, POLLER
from poller.model.alarms import ACTIVE, INHIBIT_LETTER, AlarmState
from poller.model.events import Event
from poller.model.nameplate import flat
from poller.publishing.sparkplug.metrics import (
    alarm_name,
    flat_name,
    metric_name,
    text,
    whether,
    whole,
)
from poller.publishing.sparkplug.payload import Metric

Told: TypeAlias = Iterator[Metric]


@dataclass(frozen=True, slots=True, kw_only=True)
class Past:
    """device: a relay's id; "": of the node. read: the relay itself said it."""

    device: str
    metrics: tuple[Metric, ...]
    read: bool


def _first_read(body: Any, event: Event) -> Told:
    for attribute, value in flat(body.nameplate).items():
        yield text(flat_name("Nameplate", attribute), value, at=body.first_new_at)


def _changed(body: Any, event: Event) -> Told:
    for change in body.changes:
        yield text(flat_name("Nameplate", change.attribute), change.after, at=body.first_new_at)


def _flag(stands: bool) -> Callable[[Any, Event], Told]:
    def told(body: Any, event: Event) -> Told:
        yield whether(metric_name("Status", "flag", body.flag), stands, body.first_new_at)

    return told


def _whole(name: str) -> Callable[[Any, Event], Told]:
    def told(body: Any, event: Event) -> Told:
        yield whole(name, int(body.after), event.at)

    return told


READ: Final[dict[str, Callable[[Any, Event], Told]]] = {
    "nameplate_first_read": _first_read,
    "nameplate_changed": _changed,
    "flag_rose": _flag(True),
    "flag_fell": _flag(False),
    "health_changed": _whole("health"),
    "behaviour_changed": _whole("behaviour"),
    "setting_group_changed": _whole("setting_group"),
}
"""What a relay said."""


def _is(name: str, value: bool) -> Callable[[Any, Event], Told]:
    def told(body: Any, event: Event) -> Told:
        at = getattr(body, "last_answer_at", None) or event.at
        yield whether(f"Status/{name}", value, at)

    return told


def _firmware(body: Any, event: Event) -> Told:
    for word, value in (
        ("version", body.version),
        ("target", body.target),
        ("status", body.after),
        ("rule", body.rule),
    ):
        yield text(flat_name("Firmware", body.attribute, word), value, at=event.at)


def _moved(body: Any, event: Event) -> Told:
    if body.annunciated:  # else the letter of what keeps it back is shown
        yield text(alarm_name(body.entry, "state"), body.after, at=event.at)
    yield whether(alarm_name(body.entry, "active"), body.after in ACTIVE, event.at)
    says = None if body.after == AlarmState.NORMAL else body.says
    yield text(alarm_name(body.entry, "says"), says, at=event.at)


def _inhibited(body: Any, event: Event) -> Told:
    yield text(alarm_name(body.entry, "state"), INHIBIT_LETTER[body.inhibit], at=event.at)


JUDGED: Final[dict[str, Callable[[Any, Event], Told]]] = {
    "map_chosen": lambda b, e: iter((text("Nameplate/map", b.map, at=e.at),)),
    "relay_silent": _is("answering", False),
    "relay_answering": _is("answering", True),
    "relay_paused": _is("paused", True),
    "relay_resumed": _is("paused", False),
    "firmware_status_changed": _firmware,
    "alarm_moved": _moved,
    "alarm_inhibited": _inhibited,
}
"""What was made of it, or what people did."""


def past(event: Event) -> Past | None:
    """None: it changed no metric."""
    kind = event.body.kind
    made = READ.get(kind) or JUDGED.get(kind)
    if made is None:
        return None
    metrics = tuple(replace(one, historical=True) for one in made(event.body, event))
    owner = "" if event.subject else getattr(event.body, "alarm", "").partition(".")[0]
    if owner and owner not in (NETWORK, POLLER):
        folder = metric_name("Gateway", owner)
        metrics = tuple(replace(one, name=f"{folder}/{one.name}") for one in metrics)
    return Past(device=event.subject, metrics=metrics, read=kind in READ)
