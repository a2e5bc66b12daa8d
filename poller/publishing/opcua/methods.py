"""Which methods clients may call, and what is wrong with a call.

Source: OPC 10000-4, 5.11 (Call), OPC 10000-9, 5.5.7, 5.5.8 and 5.7.3; from memory.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Sequence
from typing import Any, Final

from asyncua import ua

from poller.publishing.opcua.alarms import ACKNOWLEDGE, Alarms
from poller.publishing.opcua.guard import Session
from poller.publishing.opcua.space import standard

C, T = ua.StatusCodes, ua.VariantType
REFRESH: Final = standard("ConditionType_ConditionRefresh")
REFRESH_ITEM: Final = standard("ConditionType_ConditionRefresh2")
ARGUMENTS: Final = {
    ACKNOWLEDGE: (T.ByteString, T.LocalizedText),
    REFRESH: (T.UInt32,),
    REFRESH_ITEM: (T.UInt32, T.UInt32),
}
NOT_SUPPORTED: Final = frozenset(
    standard(name)
    for name in (
        "ConditionType_Enable",
        "ConditionType_Disable",
        "ConditionType_AddComment",
        "AcknowledgeableConditionType_Confirm",
        "ShelvedStateMachineType_TimedShelve",
        "ShelvedStateMachineType_OneShotShelve",
        "ShelvedStateMachineType_Unshelve",
    )
)


class Methods:
    def __init__(self, alarms: Alarms) -> None:
        self._alarms = alarms
        self._known: dict[ua.NodeId, Callable[..., Awaitable[ua.StatusCode]]] = {
            ACKNOWLEDGE: self._acknowledge,
            REFRESH: self._refresh,
            REFRESH_ITEM: self._refresh,
        }

    async def call(self, session: Session, asked: Any) -> ua.CallMethodResult:
        result = ua.CallMethodResult()
        given = asked.InputArguments or []
        method = self._known.get(asked.MethodId)
        if method is None:
            unsupported = asked.MethodId in NOT_SUPPORTED
            result.StatusCode = ua.StatusCode(
                C.BadNotSupported if unsupported else C.BadMethodInvalid
            )
            return result
        wanted = ARGUMENTS[asked.MethodId]
        wrong = _wrong(given, wanted)
        if wrong is None:
            values = [one.Value for one in given]
            result.StatusCode = await method(session, asked.ObjectId, *values)
        else:
            result.StatusCode = ua.StatusCode(wrong)
        fits = [one.VariantType == kind for one, kind in zip(given, wanted, strict=False)]
        result.InputArgumentResults = [
            ua.StatusCode(C.Good if fit else C.BadTypeMismatch) for fit in fits
        ]
        return result

    async def _acknowledge(
        self, session: Session, condition: ua.NodeId, event_id: object, comment: ua.LocalizedText
    ) -> ua.StatusCode:
        text = comment.Text or ""
        return await self._alarms.acknowledge(condition, event_id, text, session.user.name)

    async def _refresh(
        self, session: Session, of_type: ua.NodeId, number: int, item: int | None = None
    ) -> ua.StatusCode:
        subscription = session.subscription(number)
        if subscription is None:
            return ua.StatusCode(C.BadSubscriptionIdInvalid)
        if item is not None and item not in subscription.monitored_item_srv._monitored_items:
            return ua.StatusCode(C.BadMonitoredItemIdInvalid)
        await self._alarms.refresh(subscription, item)
        return ua.StatusCode(C.Good)


def _wrong(given: Sequence[ua.Variant], wanted: Sequence[ua.VariantType]) -> int | None:
    """The status code; None: nothing."""
    code: int | None = None
    if len(given) < len(wanted):
        code = C.BadArgumentsMissing
    elif len(given) > len(wanted):
        code = C.BadTooManyArguments
    elif any(one.VariantType != kind for one, kind in zip(given, wanted, strict=True)):
        code = C.BadInvalidArgument
    return code
