"""The conditions that the OPC UA process knows: their nodes, their events, and acknowledging them.

Source: OPC 10000-9, 5.5 (ConditionType), 5.7 (AcknowledgeableConditionType), 5.8 (alarms); from
memory.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, Final

from asyncua import ua

from poller.model import limits
from poller.model.text import shown
from poller.publishing.opcua import fields
from poller.publishing.opcua.conditions import Condition
from poller.publishing.opcua.events import Event, Events
from poller.publishing.opcua.fields import CONDITION_ID, EVENT_TYPE, FIELDS, SUPERTYPES
from poller.publishing.opcua.roll import Roll
from poller.publishing.opcua.space import Space, data_value, standard

C = ua.StatusCodes
SERVER: Final = standard("Server")
SHELVING: Final = "ShelvingState"
ACKNOWLEDGE: Final = standard("AcknowledgeableConditionType_Acknowledge")


@dataclass(slots=True)
class _Known:
    """waiting: EventIds that call for the acknowledgement that is missing; answered: past ones."""

    condition: Condition
    values: dict[str, ua.Variant]
    waiting: list[bytes] = field(default_factory=list)
    answered: list[bytes] = field(default_factory=list)


class Alarms:
    """say: to the poller. here: the site acknowledges its alarms over OPC UA."""

    def __init__(
        self,
        space: Space,
        roll: Roll,
        events: Events,
        *,
        say: Callable[[dict[str, Any]], None],
        here: bool,
        shelved_ms_max: float,
    ) -> None:
        self._space, self._roll, self._events = space, roll, events
        self._say, self._here, self._shelved_ms_max = say, here, shelved_ms_max
        self._known: dict[str, _Known] = {}
        self._by_node: dict[ua.NodeId, str] = {}
        self._shown: dict[str, ua.NodeId] = {}  # those with nodes, and the node each hangs on
        self._asked: dict[str, asyncio.Future[str | None]] = {}

    async def show(self, condition: Condition) -> None:
        """It came to be so just now."""
        before = self._known.get(condition.alarm)
        node = self._node(condition.alarm)
        values = self._values(condition, node)
        now = _Known(condition, values)
        event_id = values["EventId"].Value
        if condition.acked:
            if before is not None:
                now.answered = [*before.answered, *before.waiting]
            now.answered = [*now.answered, event_id][-limits.OPCUA_EVENT_IDS_KEPT :]
        else:
            same = before is not None and (
                before.condition.unacked_since == condition.unacked_since
            )
            earlier = before.waiting if before is not None and same else []
            now.waiting = [*earlier, event_id][-limits.OPCUA_EVENT_IDS_KEPT :]
        self._known[condition.alarm] = now
        self._by_node[node] = condition.alarm
        await self._show_nodes(now, before)
        await self._events.tell(self._event(now))

    async def drop(self, alarm: str) -> None:
        known = self._known.pop(alarm, None)
        if known is not None:
            del self._by_node[self._node(alarm)]
            await self._hide(alarm)

    # Methods. Each gives its status.

    async def acknowledge(
        self, condition_id: ua.NodeId, event_id: object, comment: str, user: str | None
    ) -> ua.StatusCode:
        if user is None or not self._here:
            return _status(C.BadUserAccessDenied)
        known = self._known.get(self._by_node.get(condition_id, ""))
        if known is None:
            return _status(C.BadNodeIdUnknown)
        if event_id in known.answered:
            return _status(C.BadConditionBranchAlreadyAcked)
        if event_id not in known.waiting or not isinstance(event_id, bytes):
            return _status(C.BadEventIdUnknown)
        return await self._ask(known.condition.alarm, event_id, comment, user)

    async def _ask(self, alarm: str, event_id: bytes, comment: str, user: str) -> ua.StatusCode:
        """The poller's book decides; the answer comes once it is durable."""
        number = f"opcua-{event_id.hex()}"
        if number in self._asked or len(self._asked) >= limits.OPCUA_ASKED_MAX:
            return _status(C.BadTooManyOperations)
        self._asked[number] = asyncio.get_running_loop().create_future()
        comment = shown(comment, limits.REASON_MAX)  # a client's message may have a megabyte
        asked = {"alarm": alarm, "number": number, "comment": comment, "user": user}
        try:
            self._say({"said": "acknowledge", **asked})
            async with asyncio.timeout(limits.OPCUA_ANSWER_S):
                refused = await self._asked[number]
        except TimeoutError:
            return _status(C.BadTimeout)
        finally:
            del self._asked[number]
        return _status(C.Good if refused is None else C.BadRequestNotAllowed)

    def answer(self, number: str, refused: str | None) -> None:
        """Of the poller. One that nobody waits for any more is dropped."""
        asked = self._asked.get(number)
        if asked is not None and not asked.done():
            asked.set_result(refused)

    async def refresh(self, subscription: Any, only: int | None = None) -> None:
        """ConditionRefresh; only: ConditionRefresh2, of one monitored item."""
        retained = (self._event(one) for one in self._known.values() if one.condition.retain)
        brackets = [self._bracket(name) for name in ("RefreshStart", "RefreshEnd")]
        await self._events.refresh(subscription, [brackets[0], *retained, brackets[1]], only)

    # Events.

    def _event(self, known: _Known) -> Event:
        source = known.values["SourceNode"].Value
        return Event(
            notifiers=frozenset({SERVER, self._roll.site, source}),
            types=SUPERTYPES,
            fields=known.values,
        )

    def _bracket(self, name: str) -> Event:
        """For everybody who asked, whatever their filters: they mark where it begins and ends."""
        now = datetime.now(UTC)
        event_type = standard(f"{name}EventType")
        values = {
            "EventId": ua.Variant(now.isoformat().encode() + name.encode(), fields.T.ByteString),
            "EventType": ua.Variant(event_type, fields.T.NodeId),
            "SourceNode": ua.Variant(SERVER, fields.T.NodeId),
            "SourceName": ua.Variant("Server", fields.T.String),
            "Time": ua.Variant(now, fields.T.DateTime),
            "ReceiveTime": ua.Variant(now, fields.T.DateTime),
            "Message": ua.Variant(ua.LocalizedText(name), fields.T.LocalizedText),
            "Severity": ua.Variant(1, fields.T.UInt16),
        }
        return Event(
            notifiers=None,
            types=frozenset({event_type}),
            fields=values,
        )

    def _values(self, condition: Condition, node: ua.NodeId) -> dict[str, ua.Variant]:
        values = fields.values_of(
            condition,
            source=self._roll.of(condition.source),
            shelved_ms_max=self._shelved_ms_max,
            received=datetime.now(UTC),
        )
        variants = {path: fields.variant(path, values) for path in values}
        return {**variants, CONDITION_ID: ua.Variant(node, fields.T.NodeId)}

    # Nodes.

    async def _show_nodes(self, known: _Known, before: _Known | None) -> None:
        alarm, parent = known.condition.alarm, known.values["SourceNode"].Value
        if self._shown.get(alarm, parent) != parent:
            await self._hide(alarm)  # its relay is gone, or is there now
        if alarm in self._shown:
            old: Mapping[str, ua.Variant] = {} if before is None else before.values
            for item in FIELDS:
                if old.get(item.path) != known.values[item.path]:
                    await self._space.write(self._node(alarm, item.path), _data(known, item))
        elif await self._has_room():
            self._shown[alarm] = parent
            self._add(known, parent)

    async def _has_room(self) -> bool:
        """One at rest gives way; where all stand, an alarm has events and no node."""
        if len(self._shown) < limits.OPCUA_CONDITION_NODES_MAX:
            return True
        resting = [name for name in self._shown if not self._known[name].condition.retain]
        for name in resting[:1]:
            await self._hide(name)
        return bool(resting)

    def _add(self, known: _Known, parent: ua.NodeId) -> None:
        alarm, space = known.condition.alarm, self._space
        node = self._node(alarm)
        space.add_object(node, parent, known.condition.name, of_type=EVENT_TYPE)
        space.refer(parent, node, "HasCondition")
        space.add_object(
            self._node(alarm, SHELVING), node, SHELVING, of_type="ShelvedStateMachineType",
            ours=False,
        )  # fmt: skip
        for item in FIELDS:
            above, _, last = item.path.rpartition("/")
            owner = self._node(alarm, above) if above else node
            space.add_variable(
                self._node(alarm, item.path), owner, last, _data(known, item), item.kind,
                of_type=item.of_type, by=item.by, ours=False,
            )  # fmt: skip
        space.refer(node, ACKNOWLEDGE, "HasComponent", back=False)

    async def _hide(self, alarm: str) -> None:
        if self._shown.pop(alarm, None) is not None:
            paths = [None, SHELVING, *(item.path for item in FIELDS)]
            await self._space.remove(self._node(alarm, path) for path in paths)

    def _node(self, alarm: str, path: str | None = None) -> ua.NodeId:
        return self._space.node(f"alarm/{alarm}" if path is None else f"alarm/{alarm}/{path}")


def _status(code: int) -> ua.StatusCode:
    return ua.StatusCode(code)


def _data(known: _Known, item: fields.Field) -> ua.DataValue:
    value = known.values[item.path]
    return data_value(
        value.Value, item.kind, at=known.condition.time, now=known.values["ReceiveTime"].Value
    )
