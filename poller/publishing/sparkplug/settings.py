"""Of an entry `sparkplug` in outputs."""

from __future__ import annotations

from typing import Annotated, TypeAlias

from pydantic import AfterValidator, Field

from poller.model import limits
from poller.publishing.mqtt.link import LinkSettings

SparkplugId: TypeAlias = Annotated[
    str,
    Field(
        pattern=r"^[^+/#\x00-\x1f\x7f]+$",
        max_length=limits.SPARKPLUG_ID_MAX,
        description="without + / and #, which topics keep for themselves: chapter 4.1",
    ),
]


def _no_state(group: str) -> str:
    if group == "STATE":
        raise ValueError("hosts tell their state under this level; name another group")
    return group


class SparkplugSettings(LinkSettings):
    """group: the site's id, unless another is given.

    primary_host: nothing is told while this host is not online. typed_data: data messages name
    their types too, for hosts that do not remember those of the birth.
    """

    group: Annotated[SparkplugId, AfterValidator(_no_state)] | None = None
    node: SparkplugId = "poller"
    primary_host: SparkplugId | None = None
    typed_data: bool = False
