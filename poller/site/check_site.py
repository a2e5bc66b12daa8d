"""What a site file must hold together, with the maps it names. One function a rule."""

from __future__ import annotations

import ipaddress
import re
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping
from itertools import pairwise
from typing import Final

from poller.model.problems import Problem
from poller.site.check_map import Fault
from poller.site.register_map import RegisterMap
from poller.site.settings import RelayEntry, Secret, SiteFile, pace
from poller.site.yaml_lines import Lined

Maps = Mapping[str, RegisterMap]
Rule = Callable[[SiteFile, Maps], Iterator[Fault]]
HOST_NAME: Final = re.compile(
    r"(?=.{1,253}$)[A-Za-z0-9]([A-Za-z0-9-]*[A-Za-z0-9])?(\.[A-Za-z0-9-]+)*"
)
SERIAL_UNITS: Final = range(1, 248)  # MODBUS on TCP/IP guide and serial line: 1 to 247


def check_site(site: SiteFile, maps: Maps, source: Lined, file: str) -> list[Problem]:
    """Every fault that the rules find. maps: those that could be loaded."""
    return [
        Problem(
            code=fault.code,
            file=file,
            line=source.line(fault.path),
            at=_spelled(fault.path, site),
            what=fault.what,
            mend=fault.mend,
        )
        for rule in RULES
        for fault in rule(site, maps)
    ]


def _spelled(path: tuple[str | int, ...], site: SiteFile) -> str:
    if path[:1] == ("relays",) and len(path) > 1 and isinstance(path[1], int):
        rest = "".join(f".{step}" for step in path[2:])
        return f"relays[{site.relays[path[1]].id}]{rest}"
    return ".".join(str(step) for step in path)


def _ids(site: SiteFile, maps: Maps) -> Iterator[Fault]:
    seen: set[str] = set()
    for at, relay in enumerate(site.relays):
        if relay.id in seen:
            yield Fault(
                path=("relays", at, "id"),
                code="site-relay-twice",
                what=f"{relay.id} is the id of another relay already",
                mend="give it an id of its own; ids are permanent",
            )
        seen.add(relay.id)


def _addresses(site: SiteFile, maps: Maps) -> Iterator[Fault]:
    seen: dict[tuple[str, int, int], str] = {}
    for at, relay in enumerate(site.relays):
        place = (relay.host, relay.port, relay.unit)
        if place in seen:
            yield Fault(
                path=("relays", at, "host"),
                code="site-address-twice",
                what=f"{relay.host}:{relay.port}/{relay.unit} is {seen[place]} already",
                mend="correct host, port or unit",
            )
        seen.setdefault(place, relay.id)


def _hosts(site: SiteFile, maps: Maps) -> Iterator[Fault]:
    for at, relay in enumerate(site.relays):
        if not _one_host(relay.host):
            yield Fault(
                path=("relays", at, "host"),
                code="site-host",
                what=f"{relay.host!r} is not one address or host name",
                mend="list each relay with its own address; nothing is scanned",
            )
    if site.source_address is not None and not _address(site.source_address):
        yield Fault(
            path=("source_address",),
            code="site-host",
            what=f"{site.source_address!r} is no address of this machine's",
            mend="write the address from which relays are to be asked, or leave it out",
        )


def _address(text: str) -> bool:
    try:
        ipaddress.ip_address(text)
    except ValueError:
        return False
    return True


def _one_host(text: str) -> bool:
    looks_like_numbers = not text.replace(".", "").isdigit()
    return _address(text) or (looks_like_numbers and HOST_NAME.fullmatch(text) is not None)


def _units(site: SiteFile, maps: Maps) -> Iterator[Fault]:
    for at, relay in enumerate(site.relays):
        if relay.behind_serial and relay.unit not in SERIAL_UNITS:
            yield Fault(
                path=("relays", at, "unit"),
                code="site-serial-unit",
                what=f"unit {relay.unit} can't be on a serial line",
                mend="give the unit id that is set in the relay, 1 to 247",
            )


def _neighbours(site: SiteFile, maps: Maps) -> Iterator[Fault]:
    """Relays behind one host:port share its connection, so they must agree on what it is."""
    first: dict[tuple[str, int], RelayEntry] = {}
    for at, relay in enumerate(site.relays):
        other = first.setdefault((relay.host, relay.port), relay)
        for key in ("behind_serial", "client_slots"):
            if getattr(other, key) != getattr(relay, key):
                yield Fault(
                    path=("relays", at, key),
                    code="site-shared-connection",
                    what=f"{key} is {getattr(relay, key)} here and {getattr(other, key)} at "
                    f"{other.id}, behind the same {relay.host}:{relay.port}",
                    mend="write the same for all that share a connection",
                )
        if other is not relay and not relay.behind_serial:
            yield Fault(
                path=("relays", at, "port"),
                code="site-shared-connection",
                what=f"{other.id} answers at {relay.host}:{relay.port} too",
                mend="behind a gateway say behind_serial: true for both; else correct the address",
            )


def _identities(site: SiteFile, maps: Maps) -> Iterator[Fault]:
    """The identity is read before the map is known, so a relay's maps must read the same one."""
    for at, relay in enumerate(site.relays):
        known = [maps[name] for name in relay.maps if name in maps]
        for one, other in pairwise(known):
            if _identity(one) != _identity(other):
                yield Fault(
                    path=("relays", at, "maps"),
                    code="site-maps-identity",
                    what=f"{one.map} and {other.map} read the identity in different ways",
                    mend="maps of one relay share identity, numbering, byte and word order, and "
                    "identification",
                )


def _identity(one: RegisterMap) -> tuple[object, ...]:
    return (one.identity, one.numbering, one.byte_order, one.word_order, one.identification)


def _maps_twice(site: SiteFile, maps: Maps) -> Iterator[Fault]:
    for at, relay in enumerate(site.relays):
        if len(set(relay.maps)) < len(relay.maps):
            yield Fault(
                path=("relays", at, "maps"),
                code="site-map-twice",
                what="a map stands twice in the list",
                mend="keep the first of them",
            )


def _paces(site: SiteFile, maps: Maps) -> Iterator[Fault]:
    """Each relay that has intervals of its own, and the site's once for each way to be reached."""
    told: set[bool] = set()
    for at, relay in enumerate(site.relays):
        path: tuple[str | int, ...] = ("relays", at, "intervals")
        if relay.intervals is None:
            path = ("intervals",)
            if relay.behind_serial in told:
                continue
            told.add(relay.behind_serial)
        kept = pace(site.intervals, relay)
        if kept.confirm_s > kept.nameplate_s:
            yield Fault(
                path=path,
                code="site-intervals",
                what=f"confirm_s {kept.confirm_s:g} is longer than nameplate_s "
                f"{kept.nameplate_s:g}",
                mend="confirm within one nameplate interval",
            )
        if kept.reply_timeout_s > kept.status_s:
            yield Fault(
                path=path,
                code="site-intervals",
                what=f"reply_timeout_s {kept.reply_timeout_s:g} is longer than status_s "
                f"{kept.status_s:g}",
                mend="a reply must be given up before the next is due",
            )


def _secrets(site: SiteFile, maps: Maps) -> Iterator[Fault]:
    broker = site.broker
    if broker is None:
        return
    for key, secret in (("user", broker.user), ("password", broker.password)):
        if isinstance(secret, Secret) and (secret.env is None) == (secret.file is None):
            yield Fault(
                path=("broker", key),
                code="site-secret",
                what="a secret comes from an environment variable or from a file, exactly one",
                mend="keep env: NAME or file: PATH",
            )
    if broker.password is not None and broker.user is None:
        yield Fault(
            path=("broker", "password"),
            code="site-secret",
            what="a password without a user",
            mend="add user: with env: or file:",
        )


def _tls(site: SiteFile, maps: Maps) -> Iterator[Fault]:
    tls = site.broker.tls if site.broker else None
    if tls is not None and (tls.certificate is None) != (tls.key is None):
        yield Fault(
            path=("broker", "tls"),
            code="site-tls",
            what="a client certificate and its key go together",
            mend="give both certificate: and key:, or neither",
        )


def _broker(site: SiteFile, maps: Maps) -> Iterator[Fault]:
    if "mqtt" in site.outputs and site.broker is None:
        yield Fault(
            path=("outputs", "mqtt"),
            code="site-no-broker",
            what="the output mqtt has no broker to go to",
            mend="add broker: with host: and port:",
        )


def _groups(site: SiteFile, maps: Maps) -> Iterator[Fault]:
    members: dict[str, list[int]] = defaultdict(list)
    for at, relay in enumerate(site.relays):
        if relay.protection_group is not None:
            members[relay.protection_group].append(at)
    for group, where in members.items():
        if len(where) == 1:
            yield Fault(
                path=("relays", where[0], "protection_group"),
                code="site-group-of-one",
                what=f"nobody else is in the protection group {group}",
                mend="correct its name, or leave it out",
            )


RULES: tuple[Rule, ...] = (
    _ids,
    _addresses,
    _hosts,
    _units,
    _neighbours,
    _identities,
    _maps_twice,
    _paces,
    _secrets,
    _tls,
    _broker,
    _groups,
)
