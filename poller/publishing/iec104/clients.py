"""Who a group of clients is, and which of their connections carries the data."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from ipaddress import IPv4Network, IPv6Network, ip_address
from typing import Any, Protocol, TypeAlias

from poller.publishing.iec104.group import Group
from poller.publishing.iec104.link import Link

Network: TypeAlias = IPv4Network | IPv6Network


class Carrier(Protocol):
    """A connection that was started. peer: host:port."""

    link: Link
    peer: str

    def flush(self) -> None: ...

    def gives_way(self) -> None:
        """It carries no more."""


@dataclass(slots=True, kw_only=True)
class Clients:
    """Those of a group. networks: where they connect from; none: anywhere.

    last: who was there last, and why not any more.
    """

    group: Group
    networks: Sequence[Network]
    carrier: Carrier | None = None
    initialized: bool = False  # they were told that we started
    last: str = "none called yet"

    @property
    def started(self) -> bool:
        return self.carrier is not None and self.carrier.link.started

    def flush(self) -> None:
        """Sends what there is to send now."""
        if self.carrier is not None:
            self.carrier.flush()

    @property
    def says(self) -> str:
        if self.carrier is None:
            who = f"no client ({self.last})"
        else:
            who = f"{self.carrier.peer} {'is connected' if self.started else 'is stopped'}"
        lost = ", some were lost" if self.group.overflow else ""
        return f"{self.group.name}: {who}, changes waiting: {self.group.waiting}{lost}"


def clients_of(peer: Any, all_clients: Sequence[Clients]) -> Clients | None:
    """None: nobody may connect from there, or it is gone again already."""
    if not peer:
        return None
    found = ip_address(peer[0])
    address = getattr(found, "ipv4_mapped", None) or found
    for clients in all_clients:
        if not clients.networks or any(address in one for one in clients.networks):
            return clients
    return None
