"""Of relays that do not answer: what each has in common with others, so that it is told once."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import lru_cache
from typing import Final

from poller.alarms import covers
from poller.model import limits
from poller.model.alarms import Cause
from poller.model.standing import Relay, State, away
from poller.model.work import Work
from poller.site.alarm_catalogue import Catalogue
from poller.site.settings import Intervals, RelayEntry, Site, pace

NAME_MAX: Final = 80  # of a host and port in an id; addresses are far shorter


@dataclass(frozen=True, slots=True, kw_only=True)
class Gateway:
    """name: host and port as an id may have them. since: when the last of its relays went."""

    name: str
    address: str
    relays: tuple[str, ...]
    since: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Silence:
    """gateways: all behind them are silent. many: relays that went together.

    alone: silent relays that are told one by one. behind: relays that share their gateway.
    """

    gateways: tuple[Gateway, ...] = ()
    many: tuple[str, ...] = ()
    many_since: datetime | None = None
    alone: frozenset[str] = frozenset()
    behind: frozenset[str] = frozenset()

    @property
    def with_others(self) -> frozenset[str]:
        return frozenset(self.many).union(*(one.relays for one in self.gateways))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Unit:
    """What falls silent by itself: a relay, or a gateway with all behind it."""

    since: datetime
    relays: tuple[str, ...]
    interval_s: float
    gateway: Gateway | None = field(default=None)


def silent(relay: Relay) -> bool:
    return relay.answering is False and relay.listed and relay.answering_since is not None


def interval_s(site: Site, entry: RelayEntry) -> float:
    """How often it is asked, and so by how much it may have gone later than its last answer."""
    return _interval_s(site.file.intervals, entry)


@lru_cache(maxsize=limits.RELAYS_MAX)  # asked of every silent relay at every look
def _interval_s(intervals: Intervals, entry: RelayEntry) -> float:
    return pace(intervals, entry).status_s


def look(
    state: State,
    site: Site,
    catalogue: Catalogue,
    works: Mapping[str, Sequence[Work]],
    at: datetime,
) -> Silence:
    """What there is to tell of silent relays. works: open ones by relay.

    A relay that work made silent is nobody's fault and is told alone, where that is suppressed.
    """
    listed = site.file.by_id
    gone = {
        name: listed[name]
        for name in sorted(away(state.relays))
        if silent(state.relays[name]) and name in listed
    }
    if not gone:
        return Silence()
    own = {
        name
        for name in gone.keys() & works.keys()
        if by_work(state.relays[name], works[name], interval_s(site, gone[name]), at)
    }
    shared = _shared(state, site, gone.values()) if catalogue.first(Cause.GATEWAY_SILENT) else {}
    gateways = _gateways(state, shared, gone.keys() - own, own)
    units = _units(state, site, gone, gateways, own)
    many, since = _together(units, catalogue)
    return Silence(
        gateways=tuple(one for one in gateways if not many.issuperset(one.relays)),
        many=tuple(sorted(many)),
        many_since=since,
        alone=frozenset(gone.keys() - many - {name for one in gateways for name in one.relays}),
        behind=frozenset(name for names in shared.values() for name in names),
    )


def by_work(relay: Relay, works: Sequence[Work], interval_s: float, at: datetime) -> str | None:
    """The work that made it silent. Its last answer may be an interval older than the start."""
    return covers.caused(works, relay.answering_since, at, before_s=2 * interval_s)


def _shared(
    state: State, site: Site, gone: Iterable[RelayEntry]
) -> dict[tuple[str, int], tuple[str, ...]]:
    """Listed relays behind one host and port, where some of several are silent."""
    found = {}
    for address in {(entry.host, entry.port) for entry in gone}:
        behind = site.file.by_address[address]
        names = tuple(name for name in behind if name in state.relays and state.relays[name].listed)
        if len(names) > 1:
            found[address] = names
    return found


def _gateways(
    state: State,
    shared: dict[tuple[str, int], tuple[str, ...]],
    gone: set[str],
    own: set[str],
) -> tuple[Gateway, ...]:
    """Of each gateway only relays that are asked count, and none that work made silent."""
    found = []
    for (host, port), names in sorted(shared.items()):
        asked = tuple(
            name for name in names if name in gone or (name not in own and not state.rests(name))
        )
        if len(asked) > 1 and gone.issuperset(asked):
            since = max(_since(state, name) for name in asked)
            address = f"{host}:{port}"
            name = gateway_name(host, port)
            found.append(Gateway(name=name, address=address, relays=asked, since=since))
    return tuple(found)


def gateway_name(host: str, port: int) -> str:
    """Host and port as an id may have them; the ids of its alarms begin with it."""
    slug = re.sub(r"[^a-z0-9]+", "-", f"{host}:{port}".lower())
    return "gateway-" + slug[:NAME_MAX].strip("-")


def _since(state: State, name: str) -> datetime:
    since = state.relays[name].answering_since
    assert since is not None, "a silent relay has been so since some time"
    return since


def _units(
    state: State,
    site: Site,
    gone: dict[str, RelayEntry],
    gateways: Sequence[Gateway],
    own: set[str],
) -> list[_Unit]:
    units = [
        _Unit(
            since=one.since,
            relays=one.relays,
            interval_s=max(interval_s(site, gone[name]) for name in one.relays),
            gateway=one,
        )
        for one in gateways
    ]
    behind = {name for one in gateways for name in one.relays}
    for name, entry in gone.items():
        if name not in behind and name not in own:
            since = _since(state, name)
            units.append(_Unit(since=since, relays=(name,), interval_s=interval_s(site, entry)))
    return sorted(units, key=lambda unit: (unit.since, unit.relays))


def _together(
    units: Sequence[_Unit], catalogue: Catalogue
) -> tuple[frozenset[str], datetime | None]:
    """Relays of more units than the limit that went within the window, and since when.

    One that is asked less often gave its last answer longer before, and went with the others.
    """
    if catalogue.first(Cause.MANY_SILENT) is None:
        return frozenset(), None
    limit, window = (
        catalogue.many_silent.more_than,
        timedelta(seconds=catalogue.many_silent.within_s),
    )
    spans: list[tuple[datetime, datetime]] = []
    for at in range(len(units) - limit):
        first, last = units[at].since, units[at + limit].since
        if last - first > window:
            continue
        if spans and first <= spans[-1][1]:
            spans[-1] = (spans[-1][0], last)
        else:
            spans.append((first, last))
    names = [
        name
        for unit in units
        for name in unit.relays
        if any(
            first - timedelta(seconds=unit.interval_s) <= unit.since <= last
            for first, last in spans
        )
    ]
    return frozenset(names), spans[0][0] if spans else None
