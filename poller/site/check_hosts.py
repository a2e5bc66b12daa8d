"""Where relays, broker and page are found: one host each, nothing scanned, no one twice."""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Iterator
from typing import Final

from poller.site.faults import Check, Fault
from poller.site.settings import RelayEntry
from poller.site.whole import Whole

# the last label begins with a letter: 10.0.0.1-20 and 10.0.0.* are no names (RFC 3696, section 2)
HOST_NAME: Final = re.compile(
    r"(?=.{1,253}$)([A-Za-z0-9]([A-Za-z0-9-]{0,61}[A-Za-z0-9])?\.)*"
    r"[A-Za-z]([A-Za-z0-9-]{0,61}[A-Za-z0-9])?"
)
SERIAL_UNITS: Final = range(1, 248)  # MODBUS over Serial Line V1.02, 2.2: 1 to 247, 0 broadcast
SHARED: Final = ("behind_serial", "client_slots")  # said of the connection, not of the unit


def _addresses(whole: Whole) -> Iterator[Fault]:
    seen: dict[tuple[str, int, int], str] = {}
    for at, relay in enumerate(whole.site.relays):
        place = (_same(relay.host), relay.port, relay.unit)
        if place in seen:
            yield Fault(
                path=("relays", at, "host"),
                code="site-address-twice",
                what=f"{relay.host}:{relay.port}/{relay.unit} is that of {seen[place]} already",
                mend="correct host, port or unit",
            )
        seen.setdefault(place, relay.id)


def _hosts(whole: Whole) -> Iterator[Fault]:
    for at, relay in enumerate(whole.site.relays):
        if not _one_host(relay.host):
            yield Fault(
                path=("relays", at, "host"),
                code="site-host",
                what=f"{relay.host!r} is not one address or host name",
                mend=_host_mend(relay.host),
            )


def _host_mend(host: str) -> str:
    if "://" in host:
        return "write the address alone, without what stands before it"
    before, _, port = host.rpartition(":")
    if port.isdecimal() and _one_host(before):
        return f"write host: {before}, and port: {port} beside it"
    if _address(host) is None and host.replace(".", "").isdecimal():
        return "write four numbers from 0 to 255, without zeros in front"
    return "list each relay with its own address; nothing is scanned"


def _broker_host(whole: Whole) -> Iterator[Fault]:
    broker = whole.site.broker
    if broker is not None and "@" not in broker.host and not _one_host(broker.host):
        yield Fault(
            path=("broker", "host"),
            code="site-host",
            what=f"{broker.host!r} is not one address or host name",
            mend="write the host alone; port, protocol and tls have keys of their own",
        )


def _source_address(whole: Whole) -> Iterator[Fault]:
    source = whole.site.source_address
    if source is not None and _address(source) is None:
        yield Fault(
            path=("source_address",),
            code="site-host",
            what=f"{source!r} is no address",
            mend="write the address of this machine from which relays are asked, or leave it out",
        )


def _page_host(whole: Whole) -> Iterator[Fault]:
    page = whole.site.page
    if page is not None and _address(page.host) is None and page.host.lower() != "localhost":
        yield Fault(
            path=("page", "host"),
            code="site-page-host",
            what=f"{page.host!r} is no address",
            mend="write the address of this machine on which the page is to be served, or 0.0.0.0 "
            "for all of them; names by which people open it stand under names:",
        )


def _page_names(whole: Whole) -> Iterator[Fault]:
    for at, name in enumerate(whole.site.page.names if whole.site.page else ()):
        if not _one_host(name):
            yield Fault(
                path=("page", "names", at),
                code="site-page-host",
                what=f"{name!r} is not one address or host name",
                mend="write the name as it stands in the browser, without https:// and port",
            )


def _page_tls(whole: Whole) -> Iterator[Fault]:
    page = whole.site.page
    if page is not None and page.tls is None and not page.on_loopback:
        yield Fault(
            path=("page", "host"),
            code="site-page-tls",
            what=f"on {page.host} passwords would go over the network for anybody to read",
            mend="name certificate and key under tls:, or write host: 127.0.0.1",
        )


def _address(text: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address | None:
    try:
        return ipaddress.ip_address(text)
    except ValueError:
        return None


def _one_host(text: str) -> bool:
    address = _address(text)
    if address is None:
        return HOST_NAME.fullmatch(text) is not None
    return not (address.is_multicast or address.is_unspecified or text == "255.255.255.255")


def _same(host: str) -> str:
    """Equal for spellings of one host."""
    return str(_address(host) or host.lower())


def _units(whole: Whole) -> Iterator[Fault]:
    for at, relay in enumerate(whole.site.relays):
        if relay.behind_serial and relay.unit not in SERIAL_UNITS:
            yield Fault(
                path=("relays", at, "unit"),
                code="site-serial-unit",
                what=f"unit {relay.unit} can't be on a serial line",
                mend="give the unit id that is set in the relay, 1 to 247",
            )


def _agreeing(whole: Whole) -> Iterator[Fault]:
    """Relays behind one host:port share its connection, so they must agree on what it is."""
    for at, relay, other in _neighbours(whole):
        for key in SHARED:
            if getattr(other, key) != getattr(relay, key):
                yield Fault(
                    path=("relays", at, key),
                    code="site-shared-connection",
                    what=f"{_said(relay, key)} here and {_said(other, key)} at {other.id}, "
                    f"behind the same {relay.host}:{relay.port}",
                    mend="write the same for all that share a connection",
                )


def _said(relay: RelayEntry, key: str) -> str:
    """client_slots: 2, as a file has it."""
    return f"{key}: {getattr(relay, key)}".replace("True", "true").replace("False", "false")


def _gateways(whole: Whole) -> Iterator[Fault]:
    for at, relay, other in _neighbours(whole):
        if not relay.behind_serial and not other.behind_serial and relay.unit != other.unit:
            yield Fault(
                path=("relays", at, "port"),
                code="site-shared-connection",
                what=f"{other.id} answers at {relay.host}:{relay.port} too",
                mend="behind a gateway say behind_serial: true for both; else correct the address",
            )


def _neighbours(whole: Whole) -> Iterator[tuple[int, RelayEntry, RelayEntry]]:
    """Each relay that is not the first at its host and port, with its number, and that first."""
    first: dict[tuple[str, int], RelayEntry] = {}
    for at, relay in enumerate(whole.site.relays):
        other = first.setdefault((_same(relay.host), relay.port), relay)
        if other is not relay:
            yield at, relay, other


CHECKS: Final[tuple[Check[Whole], ...]] = (
    Check(_addresses),
    Check(_hosts),
    Check(_broker_host),
    Check(_source_address),
    Check(_page_host),
    Check(_page_names),
    Check(_page_tls, needs=("page",)),
    Check(_units),
    Check(_agreeing),
    Check(_gateways),
)
