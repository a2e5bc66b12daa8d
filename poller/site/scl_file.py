"""What an SCL file says of its IEDs: names, makers, bays, addresses and nameplates.

Sections may come in any order, as in files that were merged by hand, so all are gathered first.
Element and attribute names: IEC 61850-6, editions 1 and 2, from memory.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final, TypeAlias

from poller.model import limits
from poller.model.problems import Faulty, Problem
from poller.site.hostile_xml import BETWEEN, End, Event, Start

NAMESPACE: Final = "http://www.iec.ch/61850/2003/SCL"  # of both editions
XSI_TYPE: Final = f"http://www.w3.org/2001/XMLSchema-instance{BETWEEN}type"
IED: Final = "/SCL/IED"
LDEVICE: Final = "/SCL/IED/AccessPoint/Server/LDevice"
SUBNET: Final = "/SCL/Communication/SubNetwork"
BAY: Final = "/SCL/Substation/VoltageLevel/Bay"
TYPES: Final = "/SCL/DataTypeTemplates"
NOBODY: Final = ("", "None")  # edition 1 writes None where a function has no IED yet
TOLD: Final = ("configRev", "swRev")
Nameplate: TypeAlias = dict[str, str]


@dataclass(slots=True, kw_only=True)
class Address:
    """One ConnectedAP. values: P by its type, IP and IP-SUBNET for example."""

    line: int
    access_point: str
    subnetwork: str
    subnetwork_type: str
    values: dict[str, str] = field(default_factory=dict)


@dataclass(slots=True, kw_only=True)
class LogicalDevice:
    """nameplate: of LLN0, instance values before those of its type."""

    inst: str
    type: str = ""
    nameplate: Nameplate = field(default_factory=dict)


@dataclass(slots=True, kw_only=True)
class Ied:
    line: int
    name: str
    says: dict[str, str]  # manufacturer, type, configVersion, desc; those that are given
    devices: list[LogicalDevice] = field(default_factory=list)


@dataclass(frozen=True, slots=True, kw_only=True)
class Station:
    """A file. addresses and bays: by IED name; a bay is voltage level and name."""

    edition: str
    header: str
    substations: list[str]
    ieds: list[Ied]
    addresses: dict[str, list[Address]]
    bays: dict[str, dict[tuple[str, str], None]]


def is_wanted(path: str) -> bool:
    return (
        path in STARTS or path in ENDS or (path.endswith("/LNode") and path.startswith(f"{BAY}/"))
    )


def is_text(path: str) -> bool:
    return path in TEXTS


def leads(path: str) -> bool:
    return path in PREFIXES or path.startswith(f"{BAY}/")  # an LNode is anywhere in a bay


class Collector:
    """Takes events and gathers what is wanted, at most limits.SCL_KEPT_MAX of it all."""

    def __init__(self, file: str) -> None:
        self._file = file
        self._kept = 0
        self._edition = self._header = ""
        self._substations: list[str] = []
        self._ieds: list[Ied] = []
        self._addresses: dict[str, list[Address]] = defaultdict(list)
        self._bays: dict[str, dict[tuple[str, str], None]] = defaultdict(dict)
        self._nameplate_types: dict[str, str] = {}  # LNodeType to DOType
        self._defaults: dict[str, Nameplate] = {}  # DOType to values
        # where the reading stands
        self._subnet: dict[str, str] = {}
        self._address = Address(line=0, access_point="", subnetwork="", subnetwork_type="")
        self._p = self._doi = self._dai = self._da = ""
        self._level = self._bay = ""
        self._type = self._lnode_type = ""

    def take(self, event: Event) -> None:
        if isinstance(event, End):
            if event.path in ENDS:
                ENDS[event.path](self, event)
        elif event.path in STARTS:
            STARTS[event.path](self, event)
        else:
            self._lnode(event)

    def station(self) -> Station:
        """After the last event. Raises Faulty where there is no IED."""
        if not self._ieds:
            what = "there is no IED in this file"
            mend = "name a file with IED sections: SCD, CID, ICD or IID; an SSD has none"
            raise Faulty([Problem(code="scl-no-ied", file=self._file, what=what, mend=mend)])
        for ied in self._ieds:
            for device in ied.devices:
                default = self._defaults.get(self._nameplate_types.get(device.type, ""), {})
                device.nameplate = default | device.nameplate
        return Station(
            edition=self._edition,
            header=self._header,
            substations=self._substations,
            ieds=self._ieds,
            addresses=self._addresses,
            bays=self._bays,
        )

    def _keep(self, event: Start) -> None:
        """One thing more. Raises Faulty past the bound."""
        self._kept += 1
        if self._kept > limits.SCL_KEPT_MAX:
            self._too_many(f"more than {limits.SCL_KEPT_MAX} devices, addresses and types", event)

    def _too_many(self, what: str, event: Start) -> None:
        mend = "export the substation in parts"
        line = event.line
        raise Faulty(
            [Problem(code="scl-too-many", file=self._file, line=line, what=what, mend=mend)]
        )

    def _scl(self, event: Start) -> None:
        said = (_of(event, key) for key in ("version", "revision", "release"))
        self._edition = " ".join(filter(None, said))

    def _head(self, event: Start) -> None:
        self._header = _of(event, "id")

    def _substation(self, event: Start) -> None:
        self._keep(event)
        self._substations.append(_of(event, "name"))

    def _voltage_level(self, event: Start) -> None:
        self._level = _of(event, "name")

    def _of_bay(self, event: Start) -> None:
        self._bay = _of(event, "name")

    def _lnode(self, event: Start) -> None:
        ied, bay = _of(event, "iedName"), (self._level, self._bay)
        if ied not in NOBODY and self._bay and bay not in self._bays[ied]:
            self._keep(event)
            self._bays[ied][bay] = None

    def _subnetwork(self, event: Start) -> None:
        self._subnet = {"name": _of(event, "name"), "type": _of(event, "type")}

    def _connected(self, event: Start) -> None:
        self._keep(event)
        self._address = Address(
            line=event.line,
            access_point=_of(event, "apName"),
            subnetwork=self._subnet["name"],
            subnetwork_type=self._subnet["type"],
        )
        self._addresses[_of(event, "iedName")].append(self._address)

    def _of_p(self, event: Start) -> None:
        """type is required; xsi:type="tP_IP" says the same once more, and stands in for it."""
        of_schema = _of(event, XSI_TYPE).rpartition(":")[2].removeprefix("tP_")
        self._p = _of(event, "type") or of_schema

    def _end_p(self, event: End) -> None:
        if self._p in ADDRESS_TYPES:
            self._address.values.setdefault(self._p, event.text.strip())

    def _ied(self, event: Start) -> None:
        self._keep(event)
        if len(self._ieds) == limits.RELAYS_MAX:
            self._too_many(f"more than {limits.RELAYS_MAX} IEDs", event)
        says = {key: _of(event, key) for key in IED_SAYS}
        said = {key: value for key, value in says.items() if value}
        self._ieds.append(Ied(line=event.line, name=_of(event, "name"), says=said))

    def _device(self, event: Start) -> None:
        self._keep(event)
        self._ieds[-1].devices.append(LogicalDevice(inst=_of(event, "inst")))

    def _ln0(self, event: Start) -> None:
        self._ieds[-1].devices[-1].type = _of(event, "lnType")

    def _of_doi(self, event: Start) -> None:
        self._doi = _of(event, "name")

    def _of_dai(self, event: Start) -> None:
        self._dai = _of(event, "name")

    def _end_instance_val(self, event: End) -> None:
        if self._doi == "NamPlt":
            _note(self._ieds[-1].devices[-1].nameplate, self._dai, event.text)

    def _ln_type(self, event: Start) -> None:
        self._lnode_type = _of(event, "id") if _of(event, "lnClass") == "LLN0" else ""

    def _of_do(self, event: Start) -> None:
        if self._lnode_type and _of(event, "name") == "NamPlt":
            self._keep(event)
            self._nameplate_types.setdefault(self._lnode_type, _of(event, "type"))

    def _do_type(self, event: Start) -> None:
        self._type = _of(event, "id") if _of(event, "cdc") == "LPL" else ""
        if self._type:
            self._keep(event)
            self._defaults.setdefault(self._type, {})

    def _of_da(self, event: Start) -> None:
        self._da = _of(event, "name")

    def _end_default_val(self, event: End) -> None:
        if self._type:
            _note(self._defaults[self._type], self._da, event.text)


ADDRESS_TYPES: Final = ("IP", "IPv6", "IP-SUBNET", "IPv6-SUBNET")
IED_SAYS: Final = ("manufacturer", "type", "configVersion", "desc")
STARTS: Final[dict[str, Callable[[Collector, Start], None]]] = {
    "/SCL": Collector._scl,
    "/SCL/Header": Collector._head,
    "/SCL/Substation": Collector._substation,
    "/SCL/Substation/VoltageLevel": Collector._voltage_level,
    BAY: Collector._of_bay,
    SUBNET: Collector._subnetwork,
    f"{SUBNET}/ConnectedAP": Collector._connected,
    f"{SUBNET}/ConnectedAP/Address/P": Collector._of_p,
    IED: Collector._ied,
    LDEVICE: Collector._device,
    f"{LDEVICE}/LN0": Collector._ln0,
    f"{LDEVICE}/LN0/DOI": Collector._of_doi,
    f"{LDEVICE}/LN0/DOI/DAI": Collector._of_dai,
    f"{TYPES}/LNodeType": Collector._ln_type,
    f"{TYPES}/LNodeType/DO": Collector._of_do,
    f"{TYPES}/DOType": Collector._do_type,
    f"{TYPES}/DOType/DA": Collector._of_da,
}
ENDS: Final[dict[str, Callable[[Collector, End], None]]] = {
    f"{SUBNET}/ConnectedAP/Address/P": Collector._end_p,
    f"{LDEVICE}/LN0/DOI/DAI/Val": Collector._end_instance_val,
    f"{TYPES}/DOType/DA/Val": Collector._end_default_val,
}
TEXTS: Final = frozenset(ENDS)
PREFIXES: Final = frozenset(
    "/".join(parts[:length])
    for parts in (path.split("/") for path in (*STARTS, *ENDS))
    for length in range(2, len(parts) + 1)
)


def _of(event: Start, key: str) -> str:
    """An attribute, without what stands around it; "" where it is not given."""
    return event.attributes.get(key, "").strip()[: limits.TEXT_MAX]


def _note(nameplate: Nameplate, name: str, text: str) -> None:
    """The first value of a name counts; others are of setting groups, which no nameplate has."""
    if name in TOLD and text.strip():
        nameplate.setdefault(name, text.strip())
