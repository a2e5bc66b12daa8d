"""The accepted nameplates: which relay has one, since when and why, and where it is not so now."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from poller.answers import investigations
from poller.answers.firmware import firmware_rows
from poller.answers.listing import natural
from poller.answers.one import picture
from poller.answers.words import age_s
from poller.answers.work_words import FIRMWARE
from poller.model.canonical import Utc
from poller.model.nameplate import flat
from poller.model.standing import Relay, State, baseline_word
from poller.model.standing import shown as present
from poller.model.text import shown
from poller.site.approved import rule_for
from poller.site.settings import Site

DEVICE: Final = "swRev"


@dataclass(frozen=True, slots=True, kw_only=True)
class BaselineRow:
    """word: new, accepted, differs; the rest None while new. accepted: names as in nameplate.flat.

    age_s: since it was accepted, whole seconds.
    """

    id: str
    bay: str
    function: str
    word: str
    at: Utc | None
    age_s: int | None
    by: str | None
    why: str | None
    reference: str | None
    accepted: dict[str, str] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class DifferenceRow:
    """One attribute that is not as it was accepted. says: its name in words."""

    id: str
    bay: str
    function: str
    name: str
    says: str
    accepted: str | None
    present: str | None


def left_open(state: State, relays: Collection[str], now: datetime) -> tuple[str, ...]:
    """What an accepted baseline does not settle: open investigations, and firmware that is not as
    the approved list has it. A sentence each."""
    unsolved = [
        f"{one.relay}: investigation {one.id} stays open; say what it was: bayroll "
        f"investigation dispose {one.id}. {one.says}"
        for one in investigations.rows(state, now)
        if one.relay in relays
    ]
    against = [
        f"{one.id}: {one.firmware} firmware {one.version or '-'}: {FIRMWARE[one.status]}"
        for one in firmware_rows(state, now)
        if one.id in relays and not one.well
    ]
    return (*unsolved, *against)


def baseline_rows(
    state: State, now: datetime, relays: Collection[str] = ()
) -> tuple[BaselineRow, ...]:
    """Listed relays by bay, then function. relays: of these only; empty: all."""
    return tuple(_row(name, state.relays[name], now) for name in _listed(state, relays))


def _row(name: str, relay: Relay, now: datetime) -> BaselineRow:
    told = relay.baseline
    return BaselineRow(
        id=name,
        bay=shown(relay.bay),
        function=shown(relay.function),
        word=baseline_word(relay),
        at=None if told is None else told.at,
        age_s=None if told is None else age_s(told.at, now),
        by=None if told is None or told.by is None else shown(told.by),
        why=None if told is None else shown(told.why),
        reference=None if told is None or told.reference is None else shown(told.reference),
        accepted=None
        if told is None
        else {shown(key): shown(text) for key, text in flat(told.nameplate).items()},
    )


def difference_rows(
    state: State, now: datetime, relays: Collection[str] = ()
) -> tuple[DifferenceRow, ...]:
    """Every attribute that is not as it was accepted, of the listed relays by bay and function."""
    return tuple(
        DifferenceRow(
            id=name,
            bay=seen.bay,
            function=seen.function,
            name=shown(line.name),
            says=line.says,
            accepted=line.accepted,
            present=line.present,
        )
        for name in _listed(state, relays)
        for seen in (picture(state, name, None, now),)
        for line in seen.differences
    )


def acceptable(
    state: State,
    site: Site | None,
    *,
    bay: str | None = None,
    family: str | None = None,
    new_only: bool = False,
) -> tuple[str, ...]:
    """Relays that were read or entered and are not as accepted; of one bay, of one family.

    family: as the approved list calls it, or a model; whatever the case. Both: in both.
    """
    return tuple(
        name
        for name in _listed(state, ())
        for relay in (state.relays[name],)
        if present(relay) is not None
        and baseline_word(relay) in (("new",) if new_only else ("new", "differs"))
        and (bay is None or relay.bay.casefold() == bay.casefold())
        and (family is None or family.casefold() in _families(relay, site))
    )


def _families(relay: Relay, site: Site | None) -> Iterator[str]:
    plate = present(relay)
    if plate is None:
        return
    if plate.model is not None:
        yield plate.model.casefold()
    if site is not None and site.approved is not None:
        rule = rule_for(site.approved, plate, DEVICE)
        if rule is not None:
            yield rule.family.casefold()


def _listed(state: State, relays: Collection[str]) -> list[str]:
    found = [
        name
        for name, relay in state.relays.items()
        if relay.listed and (not relays or name in relays)
    ]
    place = {name: state.relays[name] for name in found}
    found.sort(key=lambda name: (natural(place[name].bay), natural(place[name].function), name))
    return found
