"""The fields of a condition: of its events and, by the same names, of its node.

Names, types and texts: OPC 10000-9, 5.2 to 5.8, and OPC 10000-5, 6.4.2; from memory, and held
against the type nodes that the library brings (tests/publishing/opcua/test_fields.py).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from asyncua import ua

from poller.publishing.opcua.conditions import Condition
from poller.publishing.opcua.space import standard

T = ua.VariantType
CONDITION_ID: Final = ""  # of the event field that names the condition's own node
EVENT_TYPE: Final = "AlarmConditionType"
SUPERTYPES: Final = frozenset(
    standard(name)
    for name in ("BaseEventType", "ConditionType", "AcknowledgeableConditionType", EVENT_TYPE)
)
SHELVED_MS_MAX: Final = "MaxTimeShelved"


@dataclass(frozen=True, slots=True)
class Field:
    """path: names down from the condition, by slashes. by: the reference that leads to it."""

    path: str
    kind: ua.VariantType
    of_type: str = "PropertyType"
    by: str = "HasProperty"


def _state(path: str) -> tuple[Field, Field]:
    return (
        Field(path, T.LocalizedText, "TwoStateVariableType", "HasComponent"),
        Field(f"{path}/Id", T.Boolean),
    )


def _kept(path: str, kind: ua.VariantType) -> tuple[Field, Field]:
    return (
        Field(path, kind, "ConditionVariableType", "HasComponent"),
        Field(f"{path}/SourceTimestamp", T.DateTime),
    )


FIELDS: Final = (
    Field("EventId", T.ByteString),
    Field("EventType", T.NodeId),
    Field("SourceNode", T.NodeId),
    Field("SourceName", T.String),
    Field("Time", T.DateTime),
    Field("ReceiveTime", T.DateTime),
    Field("Message", T.LocalizedText),
    Field("Severity", T.UInt16),
    Field("ConditionClassId", T.NodeId),
    Field("ConditionClassName", T.LocalizedText),
    Field("ConditionName", T.String),
    Field("BranchId", T.NodeId),
    Field("Retain", T.Boolean),
    *_state("EnabledState"),
    *_kept("Quality", T.StatusCode),
    *_kept("LastSeverity", T.UInt16),
    *_kept("Comment", T.LocalizedText),
    Field("ClientUserId", T.String),
    *_state("AckedState"),
    *_state("ActiveState"),
    Field("InputNode", T.NodeId),
    *_state("SuppressedState"),
    *_state("OutOfServiceState"),
    Field("SuppressedOrShelved", T.Boolean),
    Field(SHELVED_MS_MAX, T.Double),
    *_state("LatchedState"),
    Field("ShelvingState/CurrentState", T.LocalizedText, "FiniteStateVariableType", "HasComponent"),
    Field("ShelvingState/CurrentState/Id", T.NodeId),
    Field("ShelvingState/UnshelveTime", T.Double),
)
KINDS: Final = {field.path: field.kind for field in FIELDS}

# text where it is so, text where it is not
WORDS: Final = {
    "EnabledState": ("Enabled", "Disabled"),
    "AckedState": ("Acknowledged", "Unacknowledged"),
    "ActiveState": ("Active", "Inactive"),
    "SuppressedState": ("Suppressed", "Unsuppressed"),
    "OutOfServiceState": ("Out of Service", "In Service"),
    "LatchedState": ("Latched", "Unlatched"),
}
SHELVING: Final = {
    True: ("Timed Shelved", standard("ShelvedStateMachineType_TimedShelved")),
    False: ("Unshelved", standard("ShelvedStateMachineType_Unshelved")),
}
CLASSES: Final = {  # by whether it is a relay's
    True: ("MaintenanceConditionClassType", "MaintenanceConditionClass"),
    False: ("SystemConditionClassType", "SystemConditionClass"),
}


def values_of(
    condition: Condition, *, source: ua.NodeId, shelved_ms_max: float, received: datetime
) -> dict[str, Any]:
    """By the paths of FIELDS. source: the node it is of; received: when we came to know it."""
    states = {
        "EnabledState": True,
        "AckedState": condition.acked,
        "ActiveState": condition.active,
        "SuppressedState": condition.suppressed,
        "OutOfServiceState": condition.out_of_service,
        "LatchedState": condition.latched,
    }
    shelving, shelving_id = SHELVING[condition.shelved]
    class_id, class_name = CLASSES[bool(condition.source)]
    values: dict[str, Any] = {
        "EventId": bytes.fromhex(condition.event_id),
        "EventType": standard(EVENT_TYPE),
        "SourceNode": source,
        "SourceName": condition.source_name,
        "Time": condition.time,
        "ReceiveTime": received,
        "Message": ua.LocalizedText(condition.message),
        "Severity": condition.severity,
        "ConditionClassId": standard(class_id),
        "ConditionClassName": ua.LocalizedText(class_name),
        "ConditionName": condition.name,
        "BranchId": ua.NodeId(),
        "Retain": condition.retain,
        "Quality": ua.StatusCode(ua.StatusCodes.Good),
        "Quality/SourceTimestamp": condition.time,
        "LastSeverity": condition.last_severity,
        "LastSeverity/SourceTimestamp": condition.time,
        "Comment": ua.LocalizedText(condition.comment),
        "Comment/SourceTimestamp": condition.commented_at or condition.time,
        "ClientUserId": condition.by,
        "InputNode": ua.NodeId(),
        "SuppressedOrShelved": condition.suppressed_or_shelved,
        SHELVED_MS_MAX: shelved_ms_max,
        "ShelvingState/CurrentState": ua.LocalizedText(shelving),
        "ShelvingState/CurrentState/Id": shelving_id,
        "ShelvingState/UnshelveTime": _left_ms(condition, received),
    }
    for path, holds in states.items():
        values[path] = ua.LocalizedText(WORDS[path][0 if holds else 1])
        values[f"{path}/Id"] = holds
    return values


def _left_ms(condition: Condition, now: datetime) -> float:
    if condition.shelved_until is None:
        return 0.0
    return max(0.0, (condition.shelved_until - now).total_seconds() * 1_000)


def variant(path: str, values: Mapping[str, Any]) -> ua.Variant:
    return ua.Variant(values[path], KINDS[path])
