"""The site and its relays in the address space."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Final

from asyncua import ua

from poller.model.status import Quality
from poller.publishing.opcua.relays import RelayView, Value
from poller.publishing.opcua.space import GOOD, ONE_DIMENSION, SCALAR, Space, data_value, standard

STATUS: Final = {
    Quality.GOOD: GOOD,
    Quality.STALE: ua.StatusCode(ua.StatusCodes.UncertainLastUsableValue),
    # OPC 10000-8, table of status codes: an operational value that was manually overwritten
    Quality.MANUAL: ua.StatusCode(ua.StatusCodes.UncertainSubstituteValue),
    Quality.BAD: ua.StatusCode(ua.StatusCodes.BadNoData),
    None: ua.StatusCode(ua.StatusCodes.BadWaitingForInitialData),
}


class Roll:
    """site: its id; label: what people call it."""

    def __init__(self, space: Space, site: str, label: str) -> None:
        self._space = space
        self._views: dict[str, RelayView] = {}
        self.site = space.node("site")
        objects = standard("ObjectsFolder")
        space.add_object(
            self.site, objects, site, by="Organizes", label=label, of_type="FolderType",
            notifies=True,
        )  # fmt: skip
        space.refer(standard("Server"), self.site, "HasNotifier")

    async def reached(self, seq: int) -> None:
        """All events of the journal up to this one are taken in."""
        node, kind = self._space.node("site/journalSeq"), ua.VariantType.Int64
        now = datetime.now(UTC)
        written = data_value(seq, kind, at=now, now=now)
        if self._space.has(node):
            await self._space.write(node, written)
        else:
            self._space.add_variable(node, self.site, "journalSeq", written, kind)

    def of(self, relay: str) -> ua.NodeId:
        """The relay's node; the site's where there is no such relay."""
        return self._node(relay) if relay in self._views else self.site

    async def show(self, view: RelayView) -> None:
        before = self._views.get(view.relay)
        if before is not None and before.label != view.label:
            await self.drop(view.relay)
            before = None
        node = self._node(view.relay)
        if before is None:
            self._space.add_object(node, self.site, view.relay, label=view.label, notifies=True)
            self._space.refer(self.site, node, "HasNotifier")
        self._views[view.relay] = view
        old = {} if before is None else {one.name: one for one in before.values}
        names = {one.name for one in view.values}
        await self._space.remove(self._node(view.relay, name) for name in old.keys() - names)
        for value in view.values:
            if old.get(value.name) != value:
                await self._write(view.relay, value)

    async def drop(self, relay: str) -> None:
        view = self._views.pop(relay, None)
        if view is not None:
            nodes = [self._node(relay), *(self._node(relay, one.name) for one in view.values)]
            await self._space.remove(nodes)

    async def _write(self, relay: str, value: Value) -> None:
        node, now = self._node(relay, value.name), datetime.now(UTC)
        kind, rank = _kind(value)
        given = list(value.value) if isinstance(value.value, tuple) else value.value
        status = STATUS[value.quality]
        written = data_value(given, kind, rank, status=status, at=value.at, now=now)
        if self._space.has(node):
            await self._space.write(node, written)
        else:
            self._space.add_variable(node, self._node(relay), value.name, written, kind, rank=rank)

    def _node(self, relay: str, name: str | None = None) -> ua.NodeId:
        return self._space.node(f"relay/{relay}" if name is None else f"relay/{relay}/{name}")


def _kind(value: Value) -> tuple[ua.VariantType, int]:
    if value.name == "answering":
        return ua.VariantType.Boolean, SCALAR
    return ua.VariantType.String, ONE_DIMENSION if value.name == "flags" else SCALAR
