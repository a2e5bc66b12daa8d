"""An invented substation for work: line bays, a busbar, a feeder, and what its list approves."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final

from poller.model.nameplate import Component, Nameplate, flat
from poller.model.standing import Baseline, Relay, State
from poller.model.status import Behaviour, Health, Quality, Status, StatusReading
from poller.model.work import Note, NoteKind, Plan, Work, WorkKind, WorkState
from poller.site.load import load_site
from poller.site.settings import Site

T0: Final = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
"""When work begins here; hours and minutes of the tables count from it."""
MAPS: Final = Path(__file__).parents[2] / "config" / "maps"

FILE: Final = """\
format: 1
site: hollin
name: Hollin 110 kV
approved: approved.yaml
protection_groups:
  q01-line: {kind: redundant, members: [q01-main1, q01-main2], soak_h: 24}
  q02-line: {kind: redundant, members: [q02-main1, q02-main2], soak_h: 0}
  tie:
    kind: line_ends
    members: [q01-main1, q02-main1]
    pairs: [["5.1", "5.1"], ["5.1 SP2", "5.1"], ["5.2", "5.2"]]
  dale:
    kind: line_ends
    members: [q02-main2]
    pairs: [["5.1", "5.1"], ["5.2", "5.2"]]
    far: {substation: Dale, relay: Q09 main 2, version: "5.1"}
  bus: {kind: shared_zone, members: [b1-busbar, q01-main2]}
relays:
  - {id: q01-main1, bay: Q01, function: main 1, host: 127.1.1.1, maps: [larch]}
  - {id: q01-main2, bay: Q01, function: main 2, host: 127.1.1.2, maps: [larch]}
  - {id: q02-main1, bay: Q02, function: main 1, host: 127.1.2.1, maps: [larch]}
  - {id: q02-main2, bay: Q02, function: main 2, host: 127.1.2.2, maps: [larch]}
  - {id: b1-busbar, bay: B1, function: busbar protection, host: 127.1.3.1, maps: [larch]}
  - {id: k1-feeder, bay: K1, function: feeder, host: 127.1.4.1, maps: [larch]}
"""
APPROVED: Final = """\
format: 1
rules:
  - id: larch
    family: Larch protection
    match: {vendors: [Tarnwick Electric]}
    version_scheme: {kind: dotted_service_pack}
    target: "5.2"
    approved: ["5.1", 5.1 SP2, "5.2"]
    steps:
      - {from: "5.1", to: 5.1 SP2, direction: update, settings_survive: true,
         can_be_undone: true, minutes: 15, retry_allowed: true, memory_kb: 256}
      - {from: 5.1 SP2, to: "5.2", direction: update, settings_survive: true,
         can_be_undone: true, minutes: 15, retry_allowed: false}
      - {from: "5.2", to: "5.1", direction: rollback, settings_survive: true,
         can_be_undone: true, minutes: 20, retry_allowed: false, memory_kb: 256}
    procedure:
      lifecycle_warning: Confirm it in the menu.
      free_memory: Clear records in the menu Storage.
      test: Inject every tripping element.
      failed: Load the package once more.
      settings: Compare the file.
      hardware: Hardware A takes no 5.
      health: Read the log.
      in_service: Close the test switch.
      no_answer: Wait ten minutes.
  - id: larch-boot
    family: Larch boot program
    match: {vendors: [Tarnwick Electric]}
    firmware: boot
    version_scheme: {kind: dotted}
    target: "2.5"
    approved: ["2.4", "2.5"]
    steps:
      - {from: "2.4", to: "2.5", direction: update, settings_survive: true,
         can_be_undone: false, minutes: 5, retry_allowed: false}
    procedure: {failed: Call the maker.}
"""


def site(file: str = FILE, approved: str = APPROVED) -> Site:
    def read(path: str) -> str:
        if path in ("site.yaml", "approved.yaml"):
            return file if path == "site.yaml" else approved
        return (MAPS / Path(path).name).read_text(encoding="utf-8")

    return load_site("site.yaml", read)


SITE: Final = site()
PLATE: Final = Nameplate(
    vendor="Tarnwick Electric",
    model="LARCH-21",
    serNum="TW1",
    hwRev="C",
    swRev="5.1",
    configRev="7",
    orderCode="L21",
    components=(Component(name="boot", swRev="2.4"),),
)


def after(**span: float) -> datetime:
    return T0 + timedelta(**span)


def relay(bay: str, function: str, **more: Any) -> Relay:
    """In service, read, and accepted a month ago."""
    plate = more.get("nameplate", PLATE)
    accepted = Baseline(
        nameplate=plate, at=after(days=-30), by="J. Kral", why="first roll", reference=None
    )
    sound: dict[str, Any] = {
        "nameplate": plate,
        "nameplate_since": after(days=-60),
        "map": "larch",
        "baseline": accepted,
        "health": Health.OK,
        "behaviour": Behaviour.ON,
        "answering": True,
        "answering_since": after(days=-60),
    }
    address = "127.1.0.1:502/255"
    return Relay(bay=bay, function=function, address=address, **(sound | more))


RELAYS: Final = {
    entry.id: relay(entry.bay, entry.function, nameplate=replace(PLATE, serNum=f"TW{number}"))
    for number, entry in enumerate(SITE.file.relays)
}


def state(*works: Work, **changed: dict[str, Any]) -> State:
    """changed: a relay's id with underscores to what is different about it."""
    relays = dict(RELAYS)
    for name, more in changed.items():
        at = name.replace("_", "-")
        relays[at] = replace(relays[at], **more)
    return State(relays=relays, works={one.id: one for one in works}, works_ever=len(works))


def plan(name: str = "k1-feeder", **more: Any) -> Plan:
    """An update from 5.1 to 5.1 SP2 within four hours."""
    usual: dict[str, Any] = {
        "kind": WorkKind.UPDATE,
        "expects": {"swRev": "5.1 SP2"},
        "before": flat(RELAYS[name].nameplate or PLATE),
        "start": T0,
        "end": after(hours=4),
        "zone": "Europe/Berlin",
    }
    return Plan(relay=name, **(usual | more))


def note(kind: NoteKind, at: datetime = T0, words: str = "seen to") -> Note:
    return Note(at=at, by="Ute", kind=kind, text=words)


READY: Final = (note(NoteKind.READ_BACK), note(NoteKind.PARTNER_TRIPS))


def work(name: str = "k1-feeder", number: int = 1, **more: Any) -> Work:
    """Planned a day before, and all that people note before it starts is noted."""
    usual: dict[str, Any] = {
        "plan": plan(name),
        "state": WorkState.PLANNED,
        "since": after(days=-1),
        "by": "Ute",
        "entered_at": after(days=-1),
        "notes": READY,
    }
    return Work(id=f"w{number}", **(usual | more))


def reading(at: datetime = T0, bad: tuple[str, ...] = (), **more: Any) -> StatusReading:
    quality = more.pop("quality", Quality.GOOD)
    sound: dict[str, Any] = {
        "health": Health.OK,
        "behaviour": Behaviour.ON,
        "free_memory_kb": 1_024,
        "flags": (("firmware_changed", False), ("support_ending", True)),
    }
    return StatusReading(status=Status(**(sound | more)), quality=quality, at=at, bad=bad)
