"""Every firmware of every relay against the approved list, as the journal has it.

Text of devices stands in rows as model.text.shown gives it; the journal has it as it was read.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime

from poller.answers.listing import natural
from poller.answers.words import age_s
from poller.judging.firmware_status import ALLOWED, status_of
from poller.model.nameplate import flat
from poller.model.standing import Relay, State
from poller.model.standing import shown as present
from poller.model.text import shown
from poller.model.work import FirmwareStatus
from poller.site.approved import DEVICE, attributes


@dataclass(frozen=True, slots=True, kw_only=True)
class FirmwareRow:
    """One firmware of one relay. firmware: device, or the component's name.

    target, rule: of the approved list, None where no rule is for it. well: it may run as it is.
    age_s: for how many whole seconds it has been so; None: not known.
    """

    id: str
    bay: str
    function: str
    firmware: str
    version: str | None
    target: str | None
    status: FirmwareStatus
    rule: str | None
    well: bool
    age_s: int | None


def firmware_rows(state: State, now: datetime) -> tuple[FirmwareRow, ...]:
    """Of every listed relay by bay, then function; the device first, then components by name.

    A relay of which nothing was read or entered has one row, not_read.
    """
    listed = [(name, relay) for name, relay in state.relays.items() if relay.listed]
    listed.sort(key=lambda one: (natural(one[1].bay), natural(one[1].function), one[0]))
    return tuple(row for name, relay in listed for row in _of(name, relay, now))


def _of(name: str, relay: Relay, now: datetime) -> Iterator[FirmwareRow]:
    nameplate = present(relay)
    told = {} if nameplate is None else flat(nameplate)
    names = () if nameplate is None else attributes(nameplate)
    for attribute in names if "swRev" in names else ("swRev", *names):
        version, known = told.get(attribute), relay.firmware.get(attribute)
        status = status_of(version, None) if known is None else known.status
        yield FirmwareRow(
            id=name,
            bay=shown(relay.bay),
            function=shown(relay.function),
            firmware=DEVICE if attribute == "swRev" else attribute.split(".")[1],
            version=None if version is None else shown(version),
            target=None if known is None else known.target,
            status=status,
            rule=None if known is None else known.rule,
            well=status in ALLOWED,
            age_s=None if known is None else age_s(known.since, now),
        )


def select(
    table: Iterable[FirmwareRow],
    *,
    bay: str | None = None,
    status: FirmwareStatus | None = None,
    rule: str | None = None,
) -> tuple[FirmwareRow, ...]:
    """The rows for which everything that is asked for holds, in their order. None: not asked."""
    return tuple(
        row
        for row in table
        if (bay is None or row.bay.casefold() == bay.casefold())
        and (status is None or row.status is status)
        and (rule is None or row.rule == rule)
    )


def counted(table: Iterable[FirmwareRow]) -> dict[FirmwareStatus, int]:
    """How many rows have each status that occurs, in the order of the statuses."""
    found = [row.status for row in table]
    return {status: found.count(status) for status in FirmwareStatus if status in found}
