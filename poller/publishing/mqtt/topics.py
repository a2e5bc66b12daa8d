"""Every topic: the one table from which messages, schemas and AsyncAPI are made.

A further retained topic is a row here, a function in bodies.py that makes its body, and the
shape of that body in messages.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any, Final

from poller.publishing.bodies import (
    firmware_status_body,
    looks_at_firmware,
    looks_at_nameplate,
    nameplate_body,
    status_body,
    work_body,
)
from poller.publishing.messages import (
    AckAnswerMessage,
    AckMessage,
    AlarmMessage,
    EventMessage,
    FirmwareStatusMessage,
    Heard,
    Message,
    NameplateMessage,
    PollerMessage,
    StatusMessage,
    WorkMessage,
)
from poller.publishing.mqtt.alarm_list import alarm_body, not_normal
from poller.publishing.projections import (
    Body,
    Projection,
    Source,
    listed,
    listed_and_read,
    open_work,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Topic:
    """address: levels in braces are ids; {site}, and at most one more, which about describes.

    projection: how it is made of what is known; None: the output itself says when. expires: MQTT 5
    lets the broker drop it when it is old, so that it is told again before.
    """

    name: str
    address: str
    about: str = ""
    message: type[Message] | type[Heard]
    retained: bool
    projection: Projection[Any] | None = None
    expires: bool = False
    heard: bool = False
    says: str

    def of(self, site: str, about: str = "") -> str:
        """Levels come only from ids, which hold neither a slash nor a wildcard."""
        return self.address.format_map({"site": site, self.level: about})

    def body(self, source: Source, about: str, parts: tuple[object, ...]) -> Body:
        """Only of a topic with a projection, of which parts come."""
        assert self.projection is not None, self.name
        return replace(self.projection.body(source, about, parts), expires=self.expires)

    @property
    def level(self) -> str:
        """The name of the level beside the site: relay, work; "" where there is none."""
        rest = self.address.replace("{site}", "")
        return rest[rest.index("{") + 1 : rest.index("}")] if "{" in rest else ""

    @property
    def schema(self) -> str:
        """bayroll/status/1; of what others send, which names none, its topic's name."""
        default = {one.name: one.default for one in fields(self.message)}.get("schema", self.name)
        assert isinstance(default, str)
        return default


RELAY: Final = "The id of a position: bay and function."

POLLER: Final = Topic(
    name="poller",
    address="bayroll/v1/{site}/poller",
    message=PollerMessage,
    retained=True,
    says="Whether the poller runs, and how far its journal has come. Its will says offline.",
)
NAMEPLATE: Final = Topic(
    name="nameplate",
    address="bayroll/v1/{site}/relay/{relay}/nameplate",
    about=RELAY,
    message=NameplateMessage,
    retained=True,
    projection=Projection(of=listed, body=nameplate_body, looks_at=looks_at_nameplate),
    says="What the relay at a position is. Cleared when the position is no longer listed.",
)
STATUS: Final = Topic(
    name="status",
    address="bayroll/v1/{site}/relay/{relay}/status",
    about=RELAY,
    message=StatusMessage,
    retained=True,
    projection=Projection(of=listed_and_read, body=status_body),
    expires=True,
    says="How the relay is: on a change, else every status_publish_s.",
)
FIRMWARE_STATUS: Final = Topic(
    name="firmware_status",
    address="bayroll/v1/{site}/relay/{relay}/firmware_status",
    about=RELAY,
    message=FirmwareStatusMessage,
    retained=True,
    projection=Projection(of=listed, body=firmware_status_body, looks_at=looks_at_firmware),
    says="Each firmware of the relay against the approved list.",
)
WORK: Final = Topic(
    name="work",
    address="bayroll/v1/{site}/work/{work}",
    about="The id of a piece of planned work: w1, w2 and so on.",
    message=WorkMessage,
    retained=True,
    projection=Projection(of=open_work, body=work_body),
    says="Planned work and how far it came. Cleared when it is closed or cancelled.",
)
AN_ALARM: Final = "The id of an alarm: its relay or what else it is of, a dot and its entry."

ALARM: Final = Topic(
    name="alarm",
    address="bayroll/v1/{site}/alarm/{alarm}",
    about=AN_ALARM,
    message=AlarmMessage,
    retained=True,
    projection=Projection(of=not_normal, body=alarm_body),
    says="An alarm for the operator, while it is not normal or is kept back. Cleared when it is.",
)
ACKNOWLEDGE: Final = Topic(
    name="acknowledge",
    address="bayroll/v1/{site}/alarm/{alarm}/acknowledge",
    about=AN_ALARM,
    message=AckMessage,
    retained=False,
    heard=True,
    says="Acknowledges an alarm, where the site's catalogue says acknowledged_over: mqtt.",
)
ACKNOWLEDGED: Final = Topic(
    name="acknowledgement",
    address="bayroll/v1/{site}/alarm/{alarm}/acknowledgement",
    about=AN_ALARM,
    message=AckAnswerMessage,
    retained=False,
    says="What came of an acknowledgement.",
)
EVENT: Final = Topic(
    name="event",
    address="bayroll/v1/{site}/event",
    message=EventMessage,
    retained=False,
    says="Every journal event in order. A repeated one has the same id.",
)
TOPICS: Final[tuple[Topic, ...]] = (
    POLLER,
    NAMEPLATE,
    STATUS,
    FIRMWARE_STATUS,
    WORK,
    ALARM,
    ACKNOWLEDGE,
    ACKNOWLEDGED,
    EVENT,
)
