"""Events to those who subscribed to them: what a filter lets pass, and which fields it selects.

asyncua's own way stops all subscribers where one selects a field that it does not know, looks at
the first step of a path only, and takes no subtype for its type.
Source: OPC 10000-4, 7.7 and 7.22 (filters), and OPC 10000-9, 5.5.7 (refresh); from memory.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

from asyncua import ua

from poller.publishing.opcua.fields import CONDITION_ID

STEPS_MAX: Final = 1_000  # of judging one event by one filter; a client's filter has a handful
NULL: Final = ua.Variant(None, ua.VariantType.Null)
F = ua.FilterOperator


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """notifiers: who subscribed to one of these is told; None: everybody, whatever their filters.

    types: its own and all above.
    """

    notifiers: frozenset[ua.NodeId] | None
    types: frozenset[ua.NodeId]
    fields: Mapping[str, ua.Variant]


class Events:
    """subscriptions: of the server, by id; they belong to the library."""

    def __init__(self, subscriptions: Mapping[int, Any]) -> None:
        self._subscriptions = subscriptions

    async def tell(self, event: Event) -> None:
        for subscription in list(self._subscriptions.values()):
            await _tell(subscription, event, _items(subscription))

    async def refresh(
        self, subscription: Any, events: Iterable[Event], only: int | None = None
    ) -> None:
        """only: a monitored item; None: all of the subscription."""
        items = [one for one in _items(subscription) if only in (None, one.monitored_item_id)]
        for event in events:
            await _tell(subscription, event, items)


def _items(subscription: Any) -> Iterator[Any]:
    """Those that watch events."""
    for item in list(subscription.monitored_item_srv._monitored_items.values()):
        reports = item.mode == ua.MonitoringMode.Reporting
        if reports and isinstance(item.filter, ua.EventFilter):
            yield item


async def _tell(subscription: Any, event: Event, items: Iterable[Any]) -> None:
    for item in items:
        if not _wants(item, event):
            continue
        fields = ua.EventFieldList()
        fields.ClientHandle = item.client_handle
        fields.EventFields = selected(item.filter.SelectClauses, event)
        await subscription.enqueue_event(item.monitored_item_id, fields, item.queue_size)


def _wants(item: Any, event: Event) -> bool:
    if event.notifiers is None:
        return True
    watches = item.read_value_id.NodeId in event.notifiers
    return watches and passes(item.filter.WhereClause, event)


def selected(clauses: Iterable[Any], event: Event) -> list[ua.Variant]:
    """Null for a field that it does not have."""
    return [_field(clause, event) for clause in clauses]


def _field(clause: Any, event: Event) -> ua.Variant:
    path = _path(clause)
    return NULL if path is None else event.fields.get(path, NULL)


def _path(clause: Any) -> str | None:
    """As in fields.py; None: no field of any event."""
    names = [step.Name for step in clause.BrowsePath or ()]
    if not names:
        is_id = clause.AttributeId == ua.AttributeIds.NodeId
        return CONDITION_ID if is_id else None
    if clause.AttributeId != ua.AttributeIds.Value or not all(names):
        return None
    return "/".join(names)


def passes(where: Any, event: Event) -> bool:
    """What can't be judged does not pass, and neither does what a filter asks in vain."""
    elements = where.Elements or []
    if not elements:
        return True
    try:
        return _Judged(elements, event).element(0) is True
    except (LookupError, TypeError, ValueError, AttributeError):
        return False


class _Judged:
    def __init__(self, elements: list[Any], event: Event) -> None:
        self._elements, self._event = elements, event
        self._left = STEPS_MAX

    def element(self, at: int) -> bool | None:
        """Three values: None is null. Raises ValueError where the filter is none."""
        self._left -= 1
        if self._left < 0:
            raise ValueError("a filter without end")
        element = self._elements[at]
        operator, operands = element.FilterOperator, element.FilterOperands
        if operator == F.OfType:
            return self._operand(at, operands[0]) in self._event.types
        if operator == F.IsNull:
            return self._operand(at, operands[0]) is None
        if operator not in OPERATORS:
            raise ValueError(f"{operator!r} is not judged")
        return OPERATORS[operator](*(self._operand(at, one) for one in operands))

    def _operand(self, at: int, operand: Any) -> Any:
        if isinstance(operand, ua.ElementOperand):
            if operand.Index <= at:
                raise ValueError("an element that asks for one before it")
            return self.element(operand.Index)
        if isinstance(operand, ua.LiteralOperand):
            return _plain(operand.Value)
        if isinstance(operand, ua.SimpleAttributeOperand):
            return _plain(_field(operand, self._event))
        raise ValueError(f"{type(operand).__name__} is not judged")


def _plain(value: ua.Variant) -> Any:
    inner = value.Value
    if isinstance(inner, ua.LocalizedText):
        return inner.Text
    if isinstance(inner, ua.StatusCode):
        return inner.value
    return inner


def _both(one: Any, other: Any) -> bool | None:
    if one is False or other is False:
        return False
    return None if one is None or other is None else bool(one and other)


def _not(one: Any) -> bool | None:
    return None if one is None else not one


def _either(one: Any, other: Any) -> bool | None:
    return _not(_both(_not(one), _not(other)))


def _known(judge: Callable[..., bool]) -> Callable[..., bool | None]:
    """Of null, nothing is known."""
    return lambda *values: None if None in values else judge(*values)


OPERATORS: Final[Mapping[Any, Callable[..., bool | None]]] = {
    F.And: _both,
    F.Or: _either,
    F.Not: _not,
    F.Equals: _known(lambda one, other: bool(one == other)),
    F.GreaterThan: _known(lambda one, other: bool(one > other)),
    F.LessThan: _known(lambda one, other: bool(one < other)),
    F.GreaterThanOrEqual: _known(lambda one, other: bool(one >= other)),
    F.LessThanOrEqual: _known(lambda one, other: bool(one <= other)),
    F.Between: _known(lambda one, low, high: bool(low <= one <= high)),
    F.InList: _known(lambda one, *some: one in some),
}
"""Beside OfType and IsNull. Like, Cast, BitwiseAnd and BitwiseOr are not judged."""
