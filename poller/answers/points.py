"""The point list: what stands at which address, for whoever engineers a front end by it.

Text of people stands in it as model.text.shown gives it.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, fields
from enum import StrEnum
from typing import Any, Final

from poller.alarms.conditions import OF_RELAY
from poller.alarms.point_values import FIRMWARE, PRIORITY, RelayValue, StationValue
from poller.alarms.points import (
    ALARMS_A_BLOCK,
    STATION,
    VALUES_A_BLOCK,
    alarm_number,
    owners,
    planned,
)
from poller.model import limits
from poller.model.alarms import Cause, Priority
from poller.model.standing import Points, State
from poller.model.text import shown
from poller.site.alarm_catalogue import Entry
from poller.site.relay_columns import guarded
from poller.site.settings import Site
from poller.site.shipped_alarms import catalogue_of

ADDRESSES: Final = 65_536
INPUT, REGISTER = "discrete_input", "input_register"

MEANS: Final = {
    Cause.UNPLANNED_CHANGE: "its firmware or options changed, and nobody planned it",
    Cause.REPLACED: "another box stands in the position, and nobody planned it",
    Cause.SETTINGS_CHANGED: "its settings changed, and nobody planned it",
    Cause.WRONG_VERSION: "planned work came out with another version",
    Cause.NOT_DONE: "planned work left it as it was",
    Cause.FLAG: "its flag {} is up",
    Cause.FLAG_LEFT: "a flag that planned work raised is still up",
    Cause.SILENT: "it does not answer",
    Cause.NOT_IN_SERVICE: "its behaviour is test, blocked or off",
    Cause.IDENTITY_UNREADABLE: "it answers, but its nameplate can't be read",
    Cause.NO_VALID_MAP: "none of its register maps fits it",
    Cause.DUPLICATE_SERIAL: "another position tells the same serial number",
    Cause.RELAY_FAILURE: "it says that it failed",
    Cause.RELAY_FAILURE_WIRED: "it says that it failed; its watchdog contact tells too",
    Cause.FIRMWARE_STATUS: "its firmware is: {}",
    Cause.GATEWAY_SILENT: "no relay behind it answers",
    Cause.MANY_SILENT: "many relays fell silent together",
    Cause.OUTPUT_AWAY: "an output of the poller has no connection",
    Cause.DISK_LOW: "the disk of the poller's computer is nearly full",
    Cause.CLOCK_WRONG: "no time service keeps the clock of the poller's computer",
    Cause.JOURNAL_FAILING: "the journal can't be written",
}
"""What 1 means, by the condition of the entry; a flag or a status stands at {}."""

_CODES: Final = ", ".join(
    f"{code} {status.replace('_', ' ')}"
    for status, code in sorted(FIRMWARE.items(), key=lambda one: one[1])
)
_RANKS: Final = ", ".join(f"{rank} {one}" for one, rank in PRIORITY.items())

SAYS_RELAY: Final[dict[RelayValue, str]] = {
    RelayValue.COMMUNICATION: "1 answers, 2 silent, 3 not asked yet, 4 paused or worked on, "
    "0 not listed; only at 1 do its other points say how it is now",
    RelayValue.PRIORITY: f"highest priority of its alarms at 1: 0 none, {_RANKS}",
    RelayValue.STANDING: "its alarms whose condition is there",
    RelayValue.UNACKNOWLEDGED: "its alarms that nobody acknowledged",
    RelayValue.FIRMWARE: f"gravest of its firmwares: 0 not judged, {_CODES}",
}
SAYS_STATION: Final[dict[StationValue, str]] = {
    StationValue.HEARTBEAT: "one more each second while the points are kept up; 0 after 65535",
    StationValue.READING_AGE: "seconds since any relay was last read; 65535 longer or never",
    StationValue.POLLER: "1 runs; points are as they last were while it is 2 starting or ending, "
    "3 the journal can't be written",
    StationValue.JOURNAL: "number of the last event told, its lower 16 bits",
    StationValue.RELAYS: "relays that the site lists",
    StationValue.NOT_READ: "of these, those whose communication is not 1",
    StationValue.HIGH: "alarms of high priority whose condition is there",
    StationValue.MEDIUM: "the same of medium priority",
    StationValue.LOW: "the same of low priority",
    StationValue.UNACKNOWLEDGED: "alarms that nobody acknowledged",
}


class Kind(StrEnum):
    """Whose a block is."""

    RELAY = "relay"
    GATEWAY = "gateway"
    STATION = "station"  # the poller and the network


class Standing(StrEnum):
    """Whether a point is to be engineered."""

    IN_USE = "in_use"
    PLANNED = "planned"  # its number is what it would get if an output needed it now
    RETIRED = "retired"  # its relay or its entry is gone: 0 for ever
    NO_ADDRESS = "no_address"  # past the last address of Modbus


@dataclass(frozen=True, slots=True, kw_only=True)
class PointRow:
    """One point. address: from 0, as on the wire; item: from 1, as the specification counts data.

    iec104: the information object address of an alarm over IEC 60870-5-104, where the site tells
    them over that. place: in its block, from 0; the same of every owner of this kind. owner: a
    relay's id, a gateway's name or station. point: an entry of the catalogue, or a value's name.
    means: of an alarm what 1 means, of a value what it says. priority, response,
    time_to_respond_min: of alarms, by the catalogue.
    Source of item: MODBUS Application Protocol Specification V1.1b3, 4.4.
    """

    table: str
    address: int
    item: int
    iec104: int | None
    block: int
    place: int
    kind: Kind
    owner: str
    bay: str
    function: str
    point: str
    means: str
    priority: Priority | None
    response: str | None
    time_to_respond_min: int | None
    standing: Standing


SAYS: Final[dict[Kind, Mapping[Any, str]]] = {
    Kind.STATION: SAYS_STATION,
    Kind.GATEWAY: {},
    Kind.RELAY: SAYS_RELAY,
}


def rows(state: State, site: Site, first_104: int | None = None) -> tuple[PointRow, ...]:
    """Discrete inputs, then input registers, by address; also what is planned, and what retired.

    first_104: the address of the alarm with number 0 over IEC 60870-5-104.
    """
    points = planned(state.points, site)
    found = [*_alarms(state, site, points, first_104), *_values(state, site, points)]
    return tuple(sorted(found, key=lambda row: (row.table, row.address)))


def _alarms(state: State, site: Site, points: Points, first_104: int | None) -> Iterator[PointRow]:
    wanted = owners(site)
    for owner in points.blocks:
        kind = _kind(owner, state, site)
        for entry in catalogue_of(site).entries:
            number = alarm_number(points, owner, entry.id)
            if number is None or _kind_of(entry.cause) != kind:
                continue
            block, place = divmod(number, ALARMS_A_BLOCK)
            known = alarm_number(state.points, owner, entry.id) is not None
            yield PointRow(
                table=INPUT,
                address=number,
                item=number + 1,
                iec104=None if first_104 is None else first_104 + number,
                block=block,
                place=place,
                kind=kind,
                **_owner(owner, state, site),
                point=entry.id,
                means=means(entry),
                priority=entry.urgency,
                response=shown(entry.response, limits.REASON_MAX),
                time_to_respond_min=entry.time_to_respond_min,
                standing=_standing(number, used=entry in wanted.get(owner, ()), known=known),
            )


def _values(state: State, site: Site, points: Points) -> Iterator[PointRow]:
    wanted = owners(site)
    for owner, blocks in points.blocks.items():
        kind = _kind(owner, state, site)
        for value, says in SAYS[kind].items():
            number = blocks[0] * VALUES_A_BLOCK + value
            known = owner in state.points.blocks
            yield PointRow(
                table=REGISTER,
                address=number,
                item=number + 1,
                iec104=None,
                block=blocks[0],
                place=value,
                kind=kind,
                **_owner(owner, state, site),
                point=value.name.lower(),
                means=says,
                priority=None,
                response=None,
                time_to_respond_min=None,
                standing=_standing(number, used=owner in wanted, known=known),
            )


def _standing(number: int, *, used: bool, known: bool) -> Standing:
    if not used:
        return Standing.RETIRED
    if number >= ADDRESSES:
        return Standing.NO_ADDRESS
    return Standing.IN_USE if known else Standing.PLANNED


def means(entry: Entry) -> str:
    what = entry.flag or (entry.status or "").replace("_", " ")
    return MEANS[entry.cause].format(what)


def _kind_of(cause: Cause) -> Kind:
    if cause in OF_RELAY:
        return Kind.RELAY
    return Kind.GATEWAY if cause is Cause.GATEWAY_SILENT else Kind.STATION


def _kind(owner: str, state: State, site: Site) -> Kind:
    if owner == STATION:
        return Kind.STATION
    known = owner in state.relays or owner in site.file.by_id
    return Kind.RELAY if known else Kind.GATEWAY


def _owner(owner: str, state: State, site: Site) -> dict[str, str]:
    entry = site.file.by_id.get(owner) or state.relays.get(owner)
    return {
        "owner": owner or Kind.STATION.value,
        "bay": "" if entry is None else shown(entry.bay),
        "function": "" if entry is None else shown(entry.function),
    }


def to_csv(table: Iterable[PointRow]) -> bytes:
    """RFC 4180, UTF-8 with a byte order mark.

    A cell that a spreadsheet would take for a formula gets an apostrophe before it.
    """
    names = [one.name for one in fields(PointRow)]
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(names)
    for row in table:
        cells = (getattr(row, name) for name in names)
        writer.writerow(["" if cell is None else guarded(str(cell)) for cell in cells])
    return text.getvalue().encode("utf-8-sig")
