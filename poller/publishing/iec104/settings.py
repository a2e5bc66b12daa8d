"""Of an entry `iec104` in outputs."""

from __future__ import annotations

from ipaddress import ip_network
from itertools import combinations
from typing import Annotated, Final, TypeAlias

from pydantic import BeforeValidator, Field, model_validator

from poller.alarms.points import ALARMS_A_BLOCK
from poller.model import limits
from poller.publishing.iec104.clients import Network
from poller.publishing.iec104.link import Times
from poller.site.settings import Port, Text, Tls
from poller.site.strict import Strict

ADDRESS_MAX: Final = 2**24 - 1  # three octets
ALARMS_MAX: Final = limits.POINT_BLOCKS_MAX * ALARMS_A_BLOCK


def _network(text: object) -> Network:
    if not isinstance(text, str):
        raise ValueError("write an address or a network: 10.1.0.10 or 10.1.0.0/24")
    return ip_network(text)


Networks: TypeAlias = Annotated[
    tuple[Annotated[Network, BeforeValidator(_network)], ...],
    Field(strict=False, max_length=limits.POINT_NETWORKS_MAX),
]
GroupName = Annotated[str, Field(pattern=r"^[a-z][a-z0-9-]{0,31}$")]


class Iec104Settings(Strict):
    """first_address: of information objects, of the alarm point with number 0.

    groups: redundancy groups by name, each with the networks that its clients connect from; a
    single one may have none: from anywhere. clients_max: of all groups together. k to t3_s: 104,
    9.6, with its defaults; t0 is of the side that connects.
    """

    host: Text = "127.0.0.1"
    port: Port = 2404
    common_address: Annotated[int, Field(ge=1, le=65_534, description="65535 is every station")] = 1
    overflow_address: Annotated[int, Field(ge=1, le=ADDRESS_MAX)] = 1
    first_address: Annotated[
        int, Field(ge=1, le=ADDRESS_MAX + 1 - ALARMS_MAX, description="room for every block")
    ] = 1_000
    groups: Annotated[
        dict[GroupName, Networks], Field(min_length=1, max_length=limits.IEC104_GROUPS_MAX)
    ] = Field(default={"main": ()})
    clients_max: Annotated[int, Field(ge=1, le=limits.IEC104_CLIENTS_MAX)] = 8
    tls: Tls | None = None
    k: Annotated[int, Field(ge=1, le=limits.IEC104_K_MAX)] = 12
    w: Annotated[int, Field(ge=1, le=limits.IEC104_K_MAX)] = 8
    t1_s: Annotated[int, Field(ge=1, le=255)] = 15
    t2_s: Annotated[int, Field(ge=1, le=255)] = 10
    t3_s: Annotated[int, Field(ge=1, le=172_800, description="48 h, the standard's longest")] = 20

    @model_validator(mode="after")
    def _fits(self) -> Iec104Settings:
        if self.t2_s >= self.t1_s:
            raise ValueError("t2_s must be shorter than t1_s")
        if self.w > self.k:
            raise ValueError("w must not be over k")
        if 0 <= self.overflow_address - self.first_address < ALARMS_MAX:
            last = self.first_address + ALARMS_MAX - 1
            raise ValueError(
                f"overflow_address must lie outside {self.first_address} to {last}, "
                "where the alarms have theirs"
            )
        self._apart()
        return self

    def _apart(self) -> None:
        if len(self.groups) > 1 and not all(self.groups.values()):
            raise ValueError("groups: where there are several, each needs the networks of its own")
        for (one, ours), (other, theirs) in combinations(self.groups.items(), 2):
            if any(_overlap(mine, yours) for mine in ours for yours in theirs):
                raise ValueError(f"groups: {one} and {other} share an address")

    @property
    def times(self) -> Times:
        return Times(k=self.k, w=self.w, t1_s=self.t1_s, t2_s=self.t2_s, t3_s=self.t3_s)


def _overlap(one: Network, other: Network) -> bool:
    """Both versions have methods that take only their own."""
    return one.version == other.version and (
        other.network_address in one or one.network_address in other
    )
