"""What a station description says, as a site file that does not load until a person finished it.

No map is chosen, so every entry that would be polled needs a hand first. IEDs that can't be asked
stand there as comments. Nothing is left out in silence.
"""

from __future__ import annotations

import ipaddress
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import PurePosixPath
from typing import Final

from poller.model import limits
from poller.model.problems import Problem
from poller.model.text import shown
from poller.site.drafting import Ids, comment, head, scalar, slug
from poller.site.scl_file import TOLD, Address, Ied, Station

MODBUS_PORT: Final = 502  # 102, if the file gives one, is that of MMS
STATION_BUS: Final = "8-MMS"  # subnetwork type of IEC 61850-8-1; the others carry no TCP
KINDS: Final = ("IP", "IPv6")
ABOUT: Final = """\
# Drafted from {file} (IEC 61850-6{edition}). Read every entry before you use this file:
# - An address in an SCL file is where an IED speaks MMS. It does not prove that Modbus is there.
#   Set host, port (502 is Modbus, 102 would be MMS) and unit as they are set in the relay.
# - The file does not say which IED is a relay. Strike gateways, merging units, clocks and panels.
# - maps: is empty, and bayroll check says so of each entry, until you name the register maps that
#   may fit. For a device that nobody has mapped yet write any.
# - id is made of the IED's name and is permanent: topics, history and points hang on it.
# - configRev and swRev are what this file says; what the relay has, only the relay says."""


@dataclass(slots=True, kw_only=True)
class _Choice:
    """host: None where there is none. said: where it is from. others: what was not chosen."""

    host: str | None = None
    said: str = ""
    others: list[str] = field(default_factory=list)
    unusable: list[str] = field(default_factory=list)


def write(station: Station, file: str) -> tuple[str, list[Problem], int]:
    """The text, what a person should look at, and how many entries would be polled."""
    writer = _Writer(station, file)
    entries = [line for ied in station.ieds for line in writer.entry(ied)]
    writer.note_strangers()
    path = PurePosixPath(file)
    edition = f", version {station.edition}" if station.edition else ", edition 1"
    name = _name(station) or path.stem or "site"
    about = ABOUT.format(file=shown(path.name), edition=shown(edition, most=40))
    key = "relays:" if writer.drafted else "relays: []"
    lines = [about, *head(slug(name, "site"), name), "", key, *entries]
    notes = sorted(writer.notes, key=lambda one: one.line or 0)
    return "\n".join(lines) + "\n", notes, writer.drafted


def _name(station: Station) -> str:
    """The substation's, if there is one alone; several share a file that has a name itself."""
    return station.substations[0] if len(station.substations) == 1 else station.header


class _Writer:
    def __init__(self, station: Station, file: str) -> None:
        self.notes: list[Problem] = []
        self.drafted = 0
        self._station, self._file = station, file
        self._ids = Ids()
        self._names: set[str] = set()
        self._hosts: dict[str, Ied] = {}
        # Q01 may be there on several voltage levels; then it is told with its level
        places = {place for bays in station.bays.values() for place in bays}
        self._same_bay = Counter(bay for _, bay in places)

    def entry(self, ied: Ied) -> Iterator[str]:
        """Lines of YAML, comments before them. Notes what is doubtful on the way."""
        if ied.name in self._names:
            what = f"{_short(ied.name)} is the name of another IED already"
            self._note("scl-ied-twice", ied, what, "correct the SCL file; both are drafted")
        self._names.add(ied.name)
        choice = _choose(self._station.addresses.get(ied.name, []))
        yield ""
        yield from (comment(line, "  ") for line in _about(ied, choice))
        yield from self._sharing(ied, choice.host)
        keys = self._keys(ied, choice.host)
        if choice.host is None:
            yield comment(
                "not polled: it has no address here. Write its host, take the # away", "  "
            )
            yield from _behind_dash(keys, "  # ")
            self._note_absent(ied, choice)
            return
        self.drafted += 1
        yield from _behind_dash(keys, "  ")

    def _sharing(self, ied: Ied, host: str | None) -> Iterator[str]:
        if host is None:
            return
        other = self._hosts.setdefault(host, ied)
        if other is not ied:
            what = f"{host} is the address of {_short(other.name)} already"
            mend = "correct one of them in the draft, which does not load before"
            self._note("scl-address-twice", ied, what, mend)
            yield comment(f"{what}: correct one of them", "  ")

    def _keys(self, ied: Ied, host: str | None) -> list[str]:
        """A position is told as bay and function; what the file does not say is its own name."""
        bays = list(self._station.bays.get(ied.name, ()))
        name, desc = ied.name or "IED", ied.says.get("desc")
        if len(bays) == 1:
            bay, why_bay = self._bay(bays[0]), "bay of the substation section"
        else:
            bay = name
            many = f"{len(bays)} bays" if bays else "no bay"
            why_bay = f"the file puts it into {many}: write which"
        if desc:
            function, why_function = desc, "desc of the IED; for example: main 1"
        else:
            function = name if len(bays) == 1 else ied.says.get("type", "IED")
            why_function = "not told by the file; for example: main 1"
        return [
            f"id: {scalar(self._ids.take(ied.name, 'ied'))}",
            f"bay: {scalar(bay)}    # {why_bay}",
            f"function: {scalar(function)}    # {why_function}",
            f"host: {scalar(host)}" if host else "host:",
            f"port: {MODBUS_PORT}",
            "maps: []    # write which register maps may fit",
        ]

    def _bay(self, place: tuple[str, str]) -> str:
        level, bay = place
        told = f"{level} {bay}" if self._same_bay[bay] > 1 else bay
        return told[: limits.TEXT_MAX].strip()

    def note_strangers(self) -> None:
        """Addresses of IEDs that the file does not have: it is a part of a station, or damaged."""
        for name, addresses in self._station.addresses.items():
            if name not in self._names:
                what = "an address of an IED that is not in this file"
                mend = "draft from the file of the whole station, or leave it"
                self._add("scl-ied-unknown", addresses[0].line, name, what, mend)

    def _note_absent(self, ied: Ied, choice: _Choice) -> None:
        if choice.unusable:
            what = f"no address of one host: {_counted(choice.unusable)}"
        else:
            what = "the file gives it no IP address"
        mend = "write its host into the draft, where it stands as a comment; or strike it"
        self._note("scl-no-address", ied, what, mend)

    def _note(self, code: str, ied: Ied, what: str, mend: str) -> None:
        self._add(code, ied.line, ied.name, what, mend)

    def _add(self, code: str, line: int, ied: str, what: str, mend: str) -> None:
        at = f"IED {_short(ied)}"
        one = Problem(code=code, file=self._file, line=line, at=at, what=what, mend=mend)
        self.notes.append(one)


def _behind_dash(keys: list[str], indent: str) -> Iterator[str]:
    for number, key in enumerate(keys):
        yield f"{indent}{'  ' if number else '- '}{key}"


def _choose(addresses: Iterable[Address]) -> _Choice:
    """The first usable address on a station bus, else the first usable one, in the file's order."""
    usable: list[tuple[bool, str, str]] = []
    unusable = []
    for address in addresses:
        for kind in KINDS:
            text = address.values.get(kind, "")
            if not text:
                continue
            mask = address.values.get(f"{kind}-SUBNET")
            said = f"{kind} of {_where(address)}" + (f", mask {_short(mask)}" if mask else "")
            if (host := _host(text)) is None:
                unusable.append(f"{_short(text)}, {said}")
            else:
                usable.append((address.subnetwork_type != STATION_BUS, host, said))
    if not usable:
        return _Choice(unusable=unusable)
    chosen = min(usable, key=lambda one: one[0])
    others = [f"{host}, {said}" for _, host, said in usable if (host, said) != chosen[1:]]
    return _Choice(host=chosen[1], said=chosen[2], others=others, unusable=unusable)


def _host(text: str) -> str | None:
    """None for what can't be asked: 0.0.0.0, which templates hold, and what is no address."""
    try:
        address = ipaddress.ip_address(text)
    except ValueError:
        return None
    no_one = address.is_unspecified or address.is_multicast or text == "255.255.255.255"
    return None if no_one or "%" in text else str(address)  # a zone is this machine's, not theirs


def _where(address: Address) -> str:
    kind = f" ({_short(address.subnetwork_type)})" if address.subnetwork_type else ""
    return f"access point {_short(address.access_point)} on {_short(address.subnetwork)}{kind}"


def _about(ied: Ied, choice: _Choice) -> Iterator[str]:
    said = ", ".join(f"{key} {_short(value)}" for key, value in ied.says.items())
    yield f"IED {_short(ied.name)}: {said or 'the file says nothing more of it'}"
    plates = [
        f"{_short(device.inst)} "
        + ", ".join(
            f"{key} {_short(device.nameplate[key])}" for key in TOLD if key in device.nameplate
        )
        for device in ied.devices
        if device.nameplate
    ]
    if plates:
        yield f"LLN0 NamPlt: {_counted(plates)}"
    if choice.host is not None:
        yield f"host: {choice.said}"
    if choice.others:
        yield f"not chosen: {_counted(choice.others)}"
    if choice.unusable:
        yield f"no address of one host: {_counted(choice.unusable)}"


def _counted(things: list[str]) -> str:
    """The first few of them, and how many more there are."""
    told = things[: limits.SCL_TOLD_MAX]
    more = len(things) - len(told)
    return "; ".join([*told, f"and {more} more"] if more else told)


def _short(text: str) -> str:
    return shown(text, most=limits.SENTENCE_TEXT_MAX) or "(no name)"
