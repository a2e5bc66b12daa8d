"""Fields, nodes and filters of conditions, against the type nodes that the library brings.

Those are made of the NodeSet that the OPC Foundation publishes with OPC 10000-5 and 10000-9.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
import pytest_asyncio

from tests.publishing.opcua.peer import ua  # first of all: skips where it is not installed

# isort: split
from asyncua import Node
from asyncua.server.internal_server import InternalServer
from asyncua.ua.ua_binary import variant_from_binary, variant_to_binary

from poller.model import limits
from poller.model.alarms import Hold, Inhibits
from poller.publishing.opcua.alarms import Alarms
from poller.publishing.opcua.events import Event, Events, passes, selected
from poller.publishing.opcua.fields import (
    CONDITION_ID,
    EVENT_TYPE,
    FIELDS,
    SUPERTYPES,
    values_of,
    variant,
)
from poller.publishing.opcua.roll import Roll
from poller.publishing.opcua.space import Space, standard
from tests.publishing.opcua.test_conditions import alarm, told
from tests.publishing.world import T0

NOW = datetime(2026, 3, 1, 4, 6, tzinfo=UTC)
pytestmark = pytest.mark.asyncio(loop_scope="module")


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def server() -> InternalServer:
    one = InternalServer()
    await one.init()
    return one


async def declared(server: InternalServer) -> dict[str, tuple[str, str, str, bool]]:
    """Of AlarmConditionType and all above, by path: data type, type, reference, mandatory."""
    found: dict[str, tuple[str, str, str, bool]] = {}
    of_type = Node(server.isession, standard(EVENT_TYPE))
    while True:
        await declare(of_type, "", found)
        if of_type.nodeid == standard("BaseEventType"):
            return found
        (of_type,) = await of_type.get_referenced_nodes(
            ua.ObjectIds.HasSubtype, direction=ua.BrowseDirection.Inverse
        )


async def declare(node: Node, above: str, found: dict[str, Any]) -> None:
    for reference in await node.get_references(
        ua.ObjectIds.Aggregates, ua.BrowseDirection.Forward, includesubtypes=True
    ):
        if reference.NodeClass not in (ua.NodeClass.Variable, ua.NodeClass.Object):
            continue
        inner = node.new_node(node.session, reference.NodeId)
        path = f"{above}{reference.BrowseName.Name}"
        rules = await inner.get_referenced_nodes(ua.ObjectIds.HasModellingRule)
        mandatory = [one.nodeid for one in rules] == [standard("ModellingRule_Mandatory")]
        if reference.NodeClass == ua.NodeClass.Variable:
            data_type = await inner.read_data_type_as_variant_type()
            of_type = ua.ObjectIdNames[reference.TypeDefinition.Identifier]
            by = ua.ObjectIdNames[reference.ReferenceTypeId.Identifier]
            found.setdefault(path, (data_type.name, of_type, by, mandatory))
        if mandatory or path in WE_HAVE:
            await declare(inner, f"{path}/", found)


# optional in the type, and ours all the same
WE_HAVE = {"SuppressedState", "OutOfServiceState", "LatchedState", "ShelvingState"}


async def test_a_field_is_what_its_type_declares(server: InternalServer) -> None:
    types = await declared(server)
    for field in FIELDS:
        assert (field.kind.name, field.of_type, field.by) == types[field.path][:3], field.path


async def test_no_mandatory_field_is_left_out(server: InternalServer) -> None:
    types = await declared(server)
    mandatory = {path for path, (_, _, _, needed) in types.items() if needed}
    assert "Retain" in mandatory
    assert mandatory <= {field.path for field in FIELDS}


async def test_our_types_are_those_above_an_alarm_condition(server: InternalServer) -> None:
    above, node = {standard(EVENT_TYPE)}, Node(server.isession, standard(EVENT_TYPE))
    while node.nodeid != standard("BaseEventType"):
        (node,) = await node.get_referenced_nodes(
            ua.ObjectIds.HasSubtype, direction=ua.BrowseDirection.Inverse
        )
        above.add(node.nodeid)
    assert above == SUPERTYPES


def fields(**more: Any) -> dict[str, Any]:
    condition = told(alarm(**more))
    values = values_of(condition, source=ua.NodeId("q07", 2), shelved_ms_max=1, received=NOW)
    return {path: variant(path, values) for path in values}


STANDS = {
    "just there": {},
    "acknowledged": {"state": "C"},
    "shelved": {"inhibits": Inhibits(shelved=Hold(since=T0, why="w", until=NOW))},
    "of nobody": {"inhibits": Inhibits(suppressed=Hold(since=T0, why="w1"))},
}


@pytest.mark.parametrize("stands", STANDS.values(), ids=STANDS)
async def test_every_field_can_go_over_the_wire(stands: dict[str, Any]) -> None:
    for path, value in fields(**stands).items():
        octets = variant_to_binary(value)
        back = variant_from_binary(ua.utils.Buffer(octets))
        assert back.VariantType == value.VariantType, path


async def test_the_time_until_it_comes_back_is_told_in_ms() -> None:
    hold = Hold(since=T0, why="crew", until=NOW + timedelta(minutes=5))
    assert fields(inhibits=Inhibits(shelved=hold))["ShelvingState/UnshelveTime"].Value == 300_000


async def test_past_so_many_nodes_those_at_rest_give_way(
    server: InternalServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(limits, "OPCUA_CONDITION_NODES_MAX", 2)
    space = Space(server.aspace, 2)
    alarms = Alarms(
        space, Roll(space, "tarn", "Tarn"), Events({}), say=print, here=True, shelved_ms_max=1
    )
    before = len(server.aspace.keys())
    for name, state in (("one", "B"), ("two", "B"), ("three", "B"), ("one", "A"), ("four", "B")):
        await alarms.show(told(alarm(state, id=f"tarn.{name}"), source=""))
    there = [name for name in ("one", "two", "three", "four") if space.has(at_node(space, name))]
    assert there == ["two", "four"], "three found no room, one gave it"
    for name in ("one", "two", "three", "four"):
        await alarms.drop(f"tarn.{name}")
    assert len(server.aspace.keys()) == before, "nothing is left of them"


def at_node(space: Space, name: str) -> Any:
    return space.node(f"alarm/tarn.{name}")


# Filters: OPC 10000-4, 7.7; from memory.


def operand(path: str, attribute: Any = ua.AttributeIds.Value) -> Any:
    one = ua.SimpleAttributeOperand()
    one.AttributeId = attribute
    one.BrowsePath = [ua.QualifiedName(step) for step in path.split("/")] if path else []
    return one


def literal(value: Any) -> Any:
    return ua.LiteralOperand(Value=ua.Variant(value))


def filtered(*elements: tuple[str, list[Any]]) -> Any:
    where = ua.ContentFilter()
    for operator, operands in elements:
        element = ua.ContentFilterElement()
        element.FilterOperator = ua.FilterOperator[operator]
        element.FilterOperands = operands
        where.Elements.append(element)
    return where


def event() -> Event:
    return Event(notifiers=None, types=SUPERTYPES, fields=fields())


def at(index: int) -> Any:
    return ua.ElementOperand(Index=index)


SEVERITY, ACTIVE = operand("Severity"), operand("ActiveState/Id")
OF_TYPE = {name: literal(standard(name)) for name in ("BaseEventType", "OffNormalAlarmType")}
PASSES = [
    ([], True),
    ([("OfType", [literal(standard("AlarmConditionType"))])], True),
    ([("OfType", [OF_TYPE["BaseEventType"]])], True),
    ([("OfType", [OF_TYPE["OffNormalAlarmType"]])], False),
    ([("Equals", [ACTIVE, literal(True)])], True),
    ([("Equals", [operand("ActiveState"), literal("Inactive")])], False),
    ([("GreaterThan", [SEVERITY, literal(167)])], False),
    ([("GreaterThanOrEqual", [SEVERITY, literal(167)])], True),
    ([("LessThan", [SEVERITY, literal(168)])], True),
    ([("LessThanOrEqual", [SEVERITY, literal(166)])], False),
    ([("Between", [SEVERITY, literal(100), literal(200)])], True),
    ([("InList", [operand("SourceName"), literal("x"), literal("Q07 main 1")])], True),
    ([("IsNull", [operand("NoSuchField")])], True),
    ([("Not", [at(1)]), ("Equals", [ACTIVE, literal(True)])], False),
    ([("And", [at(1), at(2)]), ("Equals", [ACTIVE, literal(True)]),
      ("GreaterThan", [SEVERITY, literal(500)])], False),
    ([("Or", [at(1), at(2)]), ("Equals", [ACTIVE, literal(True)]),
      ("GreaterThan", [SEVERITY, literal(500)])], True),
    # null is neither true nor false
    ([("Not", [at(1)]), ("Equals", [operand("NoSuchField"), literal(1)])], False),
    ([("Or", [at(1), at(2)]), ("Equals", [operand("NoSuchField"), literal(1)]),
      ("Equals", [ACTIVE, literal(True)])], True),
    # what can't be judged
    ([("Like", [operand("SourceName"), literal("Q%")])], False),
    ([("GreaterThan", [SEVERITY, literal("much")])], False),
    ([("Equals", [SEVERITY])], False),
    ([("Equals", [])], False),
    ([("Not", [at(0)])], False),  # of itself
    ([("Not", [at(7)])], False),
]  # fmt: skip


@pytest.mark.parametrize(("elements", "expected"), PASSES)
async def test_a_filter_lets_pass_what_it_says(elements: Any, expected: bool) -> None:
    assert passes(filtered(*elements), event()) is expected


async def test_a_filter_that_doubles_at_each_step_ends() -> None:
    doubling = [("And", [at(n + 1), at(n + 1)]) for n in range(60)]
    assert not passes(filtered(*doubling, ("Equals", [ACTIVE, literal(True)])), event())


SELECTED = [
    ("ActiveState/Id", ua.AttributeIds.Value, True),
    ("Severity", ua.AttributeIds.Value, 167),
    ("NoSuchField", ua.AttributeIds.Value, None),
    ("__class__", ua.AttributeIds.Value, None),
    ("Severity", ua.AttributeIds.NodeClass, None),
    ("", ua.AttributeIds.Value, None),
]


@pytest.mark.parametrize(("path", "attribute", "expected"), SELECTED)
async def test_a_field_that_an_event_lacks_is_null(
    path: str, attribute: Any, expected: Any
) -> None:
    (found,) = selected([operand(path, attribute)], event())
    assert found.Value == expected


async def test_the_condition_is_named_by_its_node() -> None:
    node = ua.Variant(ua.NodeId("alarm/q07-main-1.silent", 2), ua.VariantType.NodeId)
    named = Event(notifiers=None, types=SUPERTYPES, fields={CONDITION_ID: node})
    assert selected([operand("", ua.AttributeIds.NodeId)], named) == [node]
