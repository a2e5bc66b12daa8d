"""Classes of events, by which a person sifts the journal; each event is of one."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from poller.model.events import (
    KINDS,
    Body,
    ChangeClass,
    FirmwareStatusChanged,
    HealthChanged,
    NameplateChanged,
)
from poller.model.status import Health
from poller.model.work import FirmwareStatus


class Weight(StrEnum):
    """How much something asks for a person."""

    GRAVE = "grave"
    NOTE = "note"
    REST = "rest"
    UNKNOWN = "unknown"


CHANGED: Final = NameplateChanged.kind
FIRST_READ: Final = "first_read"
FROM_NOTHING: Final = ("setting_group_changed", "firmware_status_changed")
"""Kinds that also tell how it was when it was first read."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EventClass:
    """says: for people. changes: of the nameplate, told apart by what they are."""

    says: str
    changes: tuple[ChangeClass, ...] = ()
    kinds: tuple[str, ...] = ()


_NAMED: Final = {
    "unplanned": EventClass(
        says="unplanned firmware", changes=(ChangeClass.UNPLANNED, ChangeClass.DOWNGRADED)
    ),
    "wrong_version": EventClass(
        says="not the planned version", changes=(ChangeClass.WRONG_VERSION,)
    ),
    "planned": EventClass(says="as planned", changes=(ChangeClass.PLANNED,)),
    "swapped": EventClass(
        says="relay replaced", changes=(ChangeClass.REPLACED,), kinds=("serial_duplicated",)
    ),
    "hardware": EventClass(says="hardware or order code", changes=(ChangeClass.OPTIONS,)),
    "settings": EventClass(
        says="settings", changes=(ChangeClass.SETTINGS,), kinds=("setting_group_changed",)
    ),
    "spelling": EventClass(says="spelled otherwise", changes=(ChangeClass.TEXT_ONLY,)),
    FIRST_READ: EventClass(
        says="first read, map", kinds=("nameplate_first_read", "map_chosen", "no_valid_map")
    ),
    "list": EventClass(says="against the list", kinds=("firmware_status_changed",)),
    "flags": EventClass(says="lifecycle flags", kinds=("flag_rose", "flag_fell")),
    "health": EventClass(
        says="health and behaviour", kinds=("health_changed", "behaviour_changed")
    ),
    "silence": EventClass(
        says="silences",
        kinds=("relay_silent", "relay_answering", "identity_unreadable", "identity_readable"),
    ),
    "listed": EventClass(
        says="listed, seen, noted",
        kinds=("relay_listed", "relay_delisted", "relay_seen", "finding_noted"),
    ),
    "restarts": EventClass(says="restarts", kinds=("relay_restarted",)),
    "investigations": EventClass(
        says="investigations",
        kinds=("investigation_opened", "investigation_linked", "disposition_given"),
    ),
    "work": EventClass(
        says="work",
        kinds=(
            "work_added",
            "work_moved",
            "work_noted",
            "rule_overridden",
            "verification_checked",
        ),
    ),
    "entered": EventClass(
        says="baselines, readings, pauses",
        kinds=("baseline_accepted", "reading_entered", "relay_paused", "relay_resumed"),
    ),
    "alarms": EventClass(
        says="alarms", kinds=("alarm_moved", "alarm_inhibited", "alarm_released", "alarm_latched")
    ),
    "delays": EventClass(says="delays of alarms", kinds=("timer_set", "alarm_rated")),
    "planning": EventClass(
        says="bulletins, packages, spares",
        kinds=(
            "bulletin_added",
            "bulletin_closed",
            "evaluation_entered",
            "exception_given",
            "exception_ended",
            "package_checked",
            "spare_shelved",
            "spare_removed",
        ),
    ),
    "people": EventClass(
        says="users and sign-ins", kinds=("user_changed", "session_changed", "access_refused")
    ),
}
_REST: Final = {name for name, _ in KINDS} - {CHANGED}.union(
    *(one.kinds for one in _NAMED.values())
)
CLASSES: Final[dict[str, EventClass]] = _NAMED | {
    "bayroll": EventClass(says="Bayroll itself", kinds=tuple(sorted(_REST)))
}
"""What asks for a person first. The last has all that no other names."""


def kinds_of(names: Collection[str]) -> tuple[str, ...]:
    """Kinds among which events of these classes are; KeyError for one that is not there."""
    found: dict[str, None] = {}
    for name in names:
        one = CLASSES[name]
        found |= dict.fromkeys(one.kinds) | ({CHANGED: None} if one.changes else {})
        found |= dict.fromkeys(FROM_NOTHING) if name == FIRST_READ else {}
    return tuple(found)


def class_of(body: Body) -> str:
    """What was so when it was first read changed from nothing."""
    first = body.kind in FROM_NOTHING and getattr(body, "before", None) is None
    return FIRST_READ if first else class_of_kind(body)


def class_of_kind(body: Body) -> str:
    """Also of what was so when it was first read."""
    return BY_CHANGE[body.change] if isinstance(body, NameplateChanged) else BY_KIND[body.kind]


BY_KIND: Final = {kind: name for name, one in CLASSES.items() for kind in one.kinds}
BY_CHANGE: Final = {change: name for name, one in CLASSES.items() for change in one.changes}
WEIGHTS: Final = {
    "unplanned": Weight.GRAVE,
    "wrong_version": Weight.GRAVE,
    "swapped": Weight.NOTE,
    "hardware": Weight.NOTE,
    "settings": Weight.NOTE,
}
"""Of what is not at rest whatever its kind."""
ALLOWED: Final = frozenset(
    {
        FirmwareStatus.CURRENT,
        FirmwareStatus.APPROVED_OLDER,
        FirmwareStatus.NO_RULE,
        FirmwareStatus.NOT_READ,
    }
)
"""Of firmware against the list: what asks for nobody."""
NOTED: Final = frozenset(
    {"flag_rose", "relay_silent", "identity_unreadable", "no_valid_map", "investigation_opened"}
)


def weight(body: Body) -> Weight:
    if isinstance(body, HealthChanged):
        return {Health.ALARM: Weight.GRAVE, Health.WARNING: Weight.NOTE}.get(
            body.after, Weight.REST
        )
    if isinstance(body, FirmwareStatusChanged) and body.after not in ALLOWED:
        return Weight.NOTE
    return Weight.NOTE if body.kind in NOTED else WEIGHTS.get(class_of(body), Weight.REST)
