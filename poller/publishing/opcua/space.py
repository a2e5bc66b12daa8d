"""Nodes of the OPC UA address space: made lean, written, taken away.

asyncua's own way gives each node fifteen attributes of its own, 6 KB: half a gigabyte for 5,000
relays. Here attributes that are alike are one object.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from functools import cache, lru_cache
from typing import Any, Final, TypeAlias

from asyncua import ua
from asyncua.server.address_space import AddressSpace, AttributeValue, NodeData

Attributes: TypeAlias = dict[ua.AttributeIds, AttributeValue]

OBJECT, VARIABLE = ua.NodeClass.Object, ua.NodeClass.Variable
READ_ONLY: Final = 1  # OPC 10000-3, 5.6.2: CurrentRead and nothing else
SCALAR, ONE_DIMENSION = -1, 1  # ValueRank, there too
NOTIFIES: Final = 1  # EventNotifier: SubscribeToEvents

GOOD: Final = ua.StatusCode(ua.StatusCodes.Good)


@cache
def standard(name: str) -> ua.NodeId:
    """Of a node of the standard address space, by its name in ObjectIds."""
    return ua.NodeId(getattr(ua.ObjectIds, name))


class Space:
    """Ours within the server's. index: of our namespace."""

    def __init__(self, nodes: AddressSpace, index: int) -> None:
        self._nodes, self._index = nodes, index
        self._types: dict[str, ua.ReferenceDescription] = {}  # by name, which never change

    def node(self, text: str) -> ua.NodeId:
        return ua.NodeId(text, self._index)

    def has(self, node: ua.NodeId) -> bool:
        return node in self._nodes

    def add_object(
        self,
        node: ua.NodeId,
        parent: ua.NodeId,
        name: str,
        *,
        of_type: str = "BaseObjectType",
        by: str = "HasComponent",
        label: str | None = None,
        notifies: bool = False,
        ours: bool = True,
    ) -> None:
        """by: the reference from its parent. ours: its name is of our namespace."""
        attributes = _common(OBJECT, name, self._index if ours else 0, label or name)
        attributes[ua.AttributeIds.EventNotifier] = _byte(NOTIFIES if notifies else 0)
        self._add(node, parent, attributes, of_type, standard(by))

    def add_variable(
        self,
        node: ua.NodeId,
        parent: ua.NodeId,
        name: str,
        value: ua.DataValue,
        kind: ua.VariantType,
        *,
        of_type: str = "BaseDataVariableType",
        by: str = "HasComponent",
        rank: int = SCALAR,
        ours: bool = True,
    ) -> None:
        attributes = _common(VARIABLE, name, self._index if ours else 0, name)
        attributes |= _of_variable(kind, rank)
        attributes[ua.AttributeIds.Value] = AttributeValue(value)
        self._add(node, parent, attributes, of_type, standard(by))

    async def write(self, node: ua.NodeId, value: ua.DataValue) -> None:
        """Who subscribed is told."""
        status = await self._nodes.write_attribute_value(node, ua.AttributeIds.Value, value)
        assert status.is_good(), f"{node}: {status}"

    def refer(self, source: ua.NodeId, target: ua.NodeId, by: str, *, back: bool = True) -> None:
        """back: the target knows of it too."""
        kind = standard(by)
        self._nodes[source].references.append(self._reference(kind, target, forward=True))
        if back:
            self._nodes[target].references.append(self._reference(kind, source, forward=False))

    async def remove(self, nodes: Iterable[ua.NodeId]) -> None:
        """With what refers to them; whoever watches one hears that it is gone."""
        gone = {node for node in nodes if node in self._nodes}
        for node in gone:
            await self._tell_gone(self._nodes[node])
        watched = self._nodes._handle_to_attribute_map
        for handle in [handle for handle, (node, _) in watched.items() if node in gone]:
            del watched[handle]
        neighbours = {one.NodeId for node in gone for one in self._nodes[node].references} - gone
        for neighbour in neighbours:
            data = self._nodes[neighbour]
            data.references = [one for one in data.references if one.NodeId not in gone]
        for node in gone:
            del self._nodes[node]

    async def _tell_gone(self, data: NodeData) -> None:
        value = data.attributes.get(ua.AttributeIds.Value)
        if value is None:
            return
        unknown = ua.DataValue(StatusCode=ua.StatusCode(ua.StatusCodes.BadNodeIdUnknown))
        for handle, tell in list(value.datachange_callbacks.items()):
            await tell(handle, unknown)

    def _add(
        self,
        node: ua.NodeId,
        parent: ua.NodeId,
        attributes: Attributes,
        of_type: str,
        by: ua.NodeId,
    ) -> None:
        data = NodeData(node)
        data.attributes = attributes
        data.attributes[ua.AttributeIds.NodeId] = _attribute(node, ua.VariantType.NodeId)
        self._nodes[node] = data
        data.references.append(self._of_type(of_type))
        data.references.append(self._reference(by, parent, forward=False))
        self._nodes[parent].references.append(self._reference(by, node, forward=True))

    def _of_type(self, name: str) -> ua.ReferenceDescription:
        if name not in self._types:
            by = standard("HasTypeDefinition")
            self._types[name] = self._reference(by, standard(name), forward=True)
        return self._types[name]

    def _reference(self, by: ua.NodeId, to: ua.NodeId, *, forward: bool) -> ua.ReferenceDescription:
        def of(attribute: ua.AttributeIds) -> Any:
            value = self._nodes.read_attribute_value(to, attribute).Value
            assert value is not None
            return value.Value

        described = ua.ReferenceDescription()
        described.ReferenceTypeId, described.IsForward = by, forward
        described.NodeId = to
        described.NodeClass = ua.NodeClass(of(ua.AttributeIds.NodeClass))
        described.BrowseName = of(ua.AttributeIds.BrowseName)
        described.DisplayName = of(ua.AttributeIds.DisplayName)
        for one in self._nodes[to].references:  # the first of ours
            if one.IsForward and one.ReferenceTypeId == standard("HasTypeDefinition"):
                described.TypeDefinition = one.NodeId
                break
        return described


def data_value(
    value: Any,
    kind: ua.VariantType,
    rank: int = SCALAR,
    *,
    status: ua.StatusCode = GOOD,
    at: datetime | None = None,
    now: datetime,
) -> ua.DataValue:
    """A bad one has no value: OPC 10000-4, 7.11."""
    variant = ua.Variant(None, ua.VariantType.Null)
    if not status.is_bad():
        variant = ua.Variant(value, kind, is_array=rank == ONE_DIMENSION)
    return ua.DataValue(variant, status, SourceTimestamp=at, ServerTimestamp=now)


def _attribute(value: Any, kind: ua.VariantType) -> AttributeValue:
    return AttributeValue(ua.DataValue(ua.Variant(value, kind)))


@cache
def _byte(value: int) -> AttributeValue:
    return _attribute(value, ua.VariantType.Byte)


@cache
def _of_class(node_class: ua.NodeClass) -> Attributes:
    return {
        ua.AttributeIds.NodeClass: _attribute(node_class, ua.VariantType.Int32),
        ua.AttributeIds.WriteMask: _attribute(0, ua.VariantType.UInt32),
        ua.AttributeIds.UserWriteMask: _attribute(0, ua.VariantType.UInt32),
    }


@cache
def _of_variable(kind: ua.VariantType, rank: int) -> Attributes:
    return {
        ua.AttributeIds.DataType: _attribute(ua.NodeId(kind.value), ua.VariantType.NodeId),
        ua.AttributeIds.ValueRank: _attribute(rank, ua.VariantType.Int32),
        ua.AttributeIds.AccessLevel: _byte(READ_ONLY),
        ua.AttributeIds.UserAccessLevel: _byte(READ_ONLY),
        ua.AttributeIds.Historizing: _attribute(False, ua.VariantType.Boolean),
    }


@lru_cache(maxsize=256)
def _named(name: str, index: int, label: str) -> Attributes:
    qualified, text = ua.QualifiedName(name, index), ua.LocalizedText(label)
    return {
        ua.AttributeIds.BrowseName: _attribute(qualified, ua.VariantType.QualifiedName),
        ua.AttributeIds.DisplayName: _attribute(text, ua.VariantType.LocalizedText),
    }


def _common(node_class: ua.NodeClass, name: str, index: int, label: str) -> Attributes:
    return _of_class(node_class) | _named(name, index, label)
