"""The roll: one row for each listed relay, and which of them a person asks for.

Text of devices stands in rows as model.text.shown gives it; the journal has it as it was read.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from poller.answers.words import age_s, span
from poller.answers.work_words import FIRMWARE, GRAVEST, state_says
from poller.model.attribute_words import attribute
from poller.model.standing import Firmware, Investigation, Relay, State, baseline_word
from poller.model.standing import shown as present
from poller.model.status import Behaviour, Health, Quality, StatusReading
from poller.model.text import shown
from poller.model.work import ENDED, FirmwareStatus, Work, by_number

DIGITS: Final = re.compile(r"([0-9]+)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One relay of the roll. None: not known.

    map: None also where no map fits. baseline: new, accepted, differs. flags: those that stand, by
    name. health, behaviour: as last read, else as last recorded. answering: None until first tried.
    quality, age_s: of the last reading, in whole seconds; manual where the nameplate was never read
    but entered by hand. troubles: no_valid_map, identity_unreadable, serial_duplicated.
    firmware_status: the gravest of all its firmwares against the approved list; firmware_says: in
    words, which they are. work, investigations: ids of those open; open_says: in words, with age.
    """

    id: str
    bay: str
    function: str
    vendor: str | None
    model: str | None
    serNum: str | None
    orderCode: str | None
    swRev: str | None
    map: str | None
    baseline: str
    flags: tuple[str, ...]
    health: Health | None
    behaviour: Behaviour | None
    answering: bool | None
    quality: Quality | None
    age_s: int | None
    paused: bool
    troubles: tuple[str, ...]
    firmware_status: FirmwareStatus | None
    firmware_says: str | None
    work: tuple[str, ...]
    investigations: tuple[str, ...]
    open_says: str | None


def rows(state: State, live: Mapping[str, StatusReading], now: datetime) -> tuple[Row, ...]:
    """Every listed relay by bay, then function; Q2 stands before Q10.

    live: relay id to its last status reading, as the running service has it; empty without one.
    """
    listed = [(name, relay) for name, relay in state.relays.items() if relay.listed]
    listed.sort(key=lambda one: (natural(one[1].bay), natural(one[1].function), one[0]))
    works, asked = open_work(state), open_investigations(state)
    return tuple(
        row(name, relay, live.get(name), now, works.get(name, ()), asked.get(name, ()))
        for name, relay in listed
    )


def open_work(state: State) -> dict[str, list[Work]]:
    """Work that has not ended, by relay, in the order in which it was entered."""
    found: dict[str, list[Work]] = defaultdict(list)
    for name in sorted(state.works, key=by_number):
        if state.works[name].state not in ENDED:
            found[state.works[name].plan.relay].append(state.works[name])
    return found


def open_investigations(state: State) -> dict[str, list[Investigation]]:
    """Those without a disposition, by relay, the oldest first."""
    found: dict[str, list[Investigation]] = defaultdict(list)
    for name in sorted(state.investigations, key=by_number):
        if state.investigations[name].disposition is None:
            found[state.investigations[name].relay].append(state.investigations[name])
    return found


def row(
    name: str,
    relay: Relay,
    reading: StatusReading | None,
    now: datetime,
    works: Sequence[Work] = (),
    investigations: Sequence[Investigation] = (),
) -> Row:
    """works, investigations: those of this relay that are open."""
    nameplate = present(relay)
    quality, at = last_reading(relay, reading)
    health = reading.status.health if reading else None
    behaviour = reading.status.behaviour if reading else None

    def own(attribute: str) -> str | None:
        text = getattr(nameplate, attribute, None)
        return None if text is None else shown(text)

    return Row(
        id=name,
        bay=shown(relay.bay),
        function=shown(relay.function),
        vendor=own("vendor"),
        model=own("model"),
        serNum=own("serNum"),
        orderCode=own("orderCode"),
        swRev=own("swRev"),
        map=relay.map,
        baseline=baseline_word(relay),
        flags=tuple(sorted(relay.flags)),
        health=health or relay.health,
        behaviour=behaviour or relay.behaviour,
        answering=relay.answering,
        quality=quality,
        age_s=age_s(at, now),
        paused=relay.paused,
        troubles=troubles(relay),
        firmware_status=gravest(relay.firmware),
        firmware_says=firmware_says(relay.firmware),
        work=tuple(one.id for one in works),
        investigations=tuple(one.id for one in investigations),
        open_says=open_says(works, investigations, now),
    )


def gravest(firmware: Mapping[str, Firmware]) -> FirmwareStatus | None:
    """None: it was not held against an approved list yet."""
    return min((one.status for one in firmware.values()), key=GRAVEST.index, default=None)


def firmware_says(firmware: Mapping[str, Firmware]) -> str | None:
    """Of the device itself, then of each component of which something else is to be said."""
    if not firmware:
        return None
    own = firmware.get("swRev")
    told = [] if own is None else [FIRMWARE[own.status]]
    told += [
        f"{attribute(name)} {FIRMWARE[one.status]}"
        for name, one in sorted(firmware.items())
        if name != "swRev" and (own is None or one.status is not own.status)
    ]
    return "; ".join(told)


def open_says(
    works: Sequence[Work], investigations: Sequence[Investigation], now: datetime
) -> str | None:
    """w3 under way; i1 open for 3 d 4 h."""
    told = [f"{one.id} {state_says(one)}" for one in works]
    told += [f"{one.id} open for {span(age_s(one.opened_at, now) or 0)}" for one in investigations]
    return "; ".join(told) or None


def last_reading(
    relay: Relay, reading: StatusReading | None
) -> tuple[Quality | None, datetime | None]:
    """Its quality and when it was taken. Stale at no known time: recorded, and nobody reads now."""
    if relay.nameplate is None and relay.manual is not None:
        return Quality.MANUAL, relay.manual.read_at
    if reading is not None:
        return reading.quality, reading.at
    return (None if relay.nameplate is None else Quality.STALE), None


def troubles(relay: Relay) -> tuple[str, ...]:
    """What keeps the nameplate from being read or believed, by stable names."""
    found = {
        "no_valid_map": relay.misfit is not None,
        "identity_unreadable": relay.unreadable_since is not None,
        "serial_duplicated": bool(relay.duplicates),
    }
    return tuple(name for name, stands in found.items() if stands)


def natural(text: str) -> tuple[tuple[int, str, str], ...]:
    """A key by which Q2 comes before Q10: runs of digits count as numbers. Case says little."""
    pieces = enumerate(DIGITS.split(text))
    return tuple(
        (int(piece), "", piece) if at % 2 else (0, piece.casefold(), piece) for at, piece in pieces
    )


def select(
    table: Iterable[Row],
    *,
    text: str | None = None,
    bay: str | None = None,
    flag: str | None = None,
    baseline: str | None = None,
    answering: bool | None = None,
    health: Health | None = None,
    quality: Quality | None = None,
    trouble: str | None = None,
    paused: bool | None = None,
    firmware_status: FirmwareStatus | None = None,
    something_open: bool | None = None,
) -> tuple[Row, ...]:
    """The rows for which everything that is asked for holds, in their order. None: not asked.

    text: anywhere in what the row says in text, whatever the case; bay: the whole name, likewise.
    something_open: work or an investigation.
    """
    wanted = {
        "baseline": baseline,
        "answering": answering,
        "health": health,
        "quality": quality,
        "paused": paused,
        "firmware_status": firmware_status,
    }
    return tuple(
        one
        for one in table
        if all(getattr(one, name) == value for name, value in wanted.items() if value is not None)
        and (bay is None or one.bay.casefold() == bay.casefold())
        and (flag is None or flag in one.flags)
        and (trouble is None or trouble in one.troubles)
        and (something_open is None or something_open == bool(one.work or one.investigations))
        and (text is None or any(text.casefold() in part.casefold() for part in _texts(one)))
    )


def _texts(one: Row) -> tuple[str, ...]:
    told = (one.vendor, one.model, one.serNum, one.orderCode, one.swRev, one.map)
    return (
        one.id,
        one.bay,
        one.function,
        f"{one.bay} {one.function}",
        *(text for text in told if text is not None),
        *one.flags,
        *one.troubles,
    )
