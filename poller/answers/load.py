"""What a site file asks of each relay and each connection: requests, octets, connections.

Worked out from the requests that the maps need and the intervals in force; no relay is asked.
Source of the sizes: MODBUS Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3 (header); MODBUS
Application Protocol Specification V1.1b3, 6.1 to 6.4 and 6.21 (answers).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import ceil
from typing import Final

from poller.model import limits
from poller.reading.exchange import reply_octets
from poller.reading.read_plan import CompiledMap, Pass, compile_map
from poller.site.settings import Pace, RelayEntry, Site, pace

HOUR_S: Final = 3_600
MINUTE_S: Final = 60
HEADER: Final = 7  # MBAP
BEFORE_VALUES: Final = 2  # of an answer: function code, count of octets
IDENTIFICATION: Final = 4  # octets of the PDU of such a request
# Beneath: 20 octets of IPv4 and 20 of TCP a segment (RFC 791, 3.1; RFC 9293, 3.1), no options.
SEGMENT: Final = 40
SEGMENTS_A_REQUEST: Final = 3  # the question, the answer, its acknowledgement
SEGMENTS_A_CONNECTION: Final = 4  # three to open it, one to end it


@dataclass(frozen=True, slots=True, kw_only=True)
class Traffic:
    """In some span. sent, received: octets of Modbus/TCP, headers included, seen from here."""

    requests: float = 0
    sent: float = 0
    received: float = 0
    connections: float = 0

    def __add__(self, other: Traffic) -> Traffic:
        return Traffic(
            requests=self.requests + other.requests,
            sent=self.sent + other.sent,
            received=self.received + other.received,
            connections=self.connections + other.connections,
        )

    def times(self, factor: float) -> Traffic:
        return Traffic(
            requests=self.requests * factor,
            sent=self.sent * factor,
            received=self.received * factor,
            connections=self.connections * factor,
        )

    @property
    def beneath(self) -> float:
        """Octets that TCP and IP add at least."""
        segments = self.requests * SEGMENTS_A_REQUEST + self.connections * SEGMENTS_A_CONNECTION
        return segments * SEGMENT


@dataclass(frozen=True, slots=True, kw_only=True)
class RelayLoad:
    """hour: in which nothing changes. minute: the worst while a change is confirmed.

    held: the connection stays open. reckoned: it is identified by function code 43/14, so that the
    relay decides how long its answers are, and, asked for all at once, how many.
    """

    relay: str
    map: str
    hour: Traffic
    minute: Traffic
    held: bool
    reckoned: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceLoad:
    """One connection and all behind it. minute: all of them confirm a change at once.

    rest_share: of the time, for the rests between requests alone. At 1 or more it can't keep up.
    """

    host: str
    port: int
    relays: tuple[str, ...]
    hour: Traffic
    minute: Traffic
    held: bool
    rest_share: float

    @property
    def fits(self) -> bool:
        return self.rest_share < 1


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteLoad:
    relays: tuple[RelayLoad, ...]
    places: tuple[PlaceLoad, ...]

    @property
    def hour(self) -> Traffic:
        return total(place.hour for place in self.places)


def site_load(site: Site) -> SiteLoad:
    """Every relay in the order of the file, then every host and port."""
    compiled = {name: compile_map(one) for name, one in site.maps.items()}
    found = {
        entry.id: relay_load(
            entry, pace(site.file.intervals, entry), [compiled[name] for name in entry.maps]
        )
        for entry in site.file.relays
    }
    places = []
    for (host, port), names in site.file.by_address.items():
        entries = [site.file.by_id[name] for name in names]
        rest_ms = max(pace(site.file.intervals, entry).rest_ms for entry in entries)
        hour = total(found[name].hour for name in names)
        places.append(
            PlaceLoad(
                host=host,
                port=port,
                relays=names,
                hour=hour,
                minute=total(found[name].minute for name in names),
                held=entries[0].held,
                rest_share=hour.requests * rest_ms / 1000 / HOUR_S,
            )
        )
    return SiteLoad(relays=tuple(found.values()), places=tuple(places))


def relay_load(entry: RelayEntry, pace: Pace, maps: Iterable[CompiledMap]) -> RelayLoad:
    """Of several maps the one that asks most: which one fits, only the relay can tell."""
    return max((_under(entry, pace, one) for one in maps), key=lambda load: load.hour.requests)


def total(several: Iterable[Traffic]) -> Traffic:
    return sum(several, Traffic())


def _under(entry: RelayEntry, pace: Pace, compiled: CompiledMap) -> RelayLoad:
    """As judging.watch visits it: the nameplate with its status, and the status by itself.

    A map without a status has its nameplate read in its place. In the worst minute each visit
    reads everything; one for the nameplate comes between them, and one to confirm it, where that
    is not a minute later.
    """
    visit = Traffic(connections=0 if entry.held else 1)
    status = of_pass(compiled.status)
    everything = of_pass(compiled.identity) + of_pass(compiled.nameplate) + status + visit
    visits = HOUR_S / pace.status_s
    if compiled.status.requests:
        hour = (status + visit).times(visits) + everything.times(HOUR_S / pace.nameplate_s)
    else:
        hour = everything.times(visits * ceil(max(1, pace.status_s / pace.nameplate_s)))
    soon = min(pace.confirm_s, pace.confirm_after_restart_s) < MINUTE_S
    passes = (compiled.identity, compiled.nameplate, compiled.status)
    return RelayLoad(
        relay=entry.id,
        map=compiled.map.map,
        hour=hour,
        minute=everything.times(ceil(MINUTE_S / pace.status_s) + (2 if soon else 1)),
        held=entry.held,
        reckoned=any(one.identification is not None for one in passes),
    )


def of_pass(asked: Pass) -> Traffic:
    """Made once. An identification counts with answers of full length, and one a stream."""
    traffic = total(
        Traffic(
            requests=1,
            sent=HEADER + len(one.pdu),
            received=HEADER + BEFORE_VALUES + reply_octets(one),
        )
        for one in asked.requests
    )
    if asked.identification is None:
        return traffic
    kind, objects = asked.identification
    one = Traffic(requests=1, sent=HEADER + IDENTIFICATION, received=HEADER + limits.PDU_BYTES_MAX)
    return traffic + one.times(len(objects) if kind == "individual" else 1)
