"""An invented substation with an approved list, and a desk at which people and relays have a say.

Every decision is folded at once, as the service does it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import PurePosixPath
from typing import Any, Final

import pytest

from poller.decide import About, AcceptBaseline, EnterReading, Input, SiteRead, Stepped, decide
from poller.judging.findings import Answering, Believed, Edges, Finding, Reread
from poller.model import events as ev
from poller.model.nameplate import Nameplate, flat
from poller.model.refusal import Refusal
from poller.model.standing import State
from poller.model.status import Behaviour, Health, Quality, Status, StatusReading
from poller.model.work import NoteKind, Work, WorkKind
from poller.site.load import load_site
from poller.site.settings import Site
from poller.state import ALARMS, fold
from poller.work.requests import AddWork, Attend, EndWork, NoteWork, StartWork

SITE: Final = """
format: 1
site: hollin
name: Hollin 132 kV
approved: approved.yaml
intervals: {confirm_s: 60, confirm_after_restart_s: 300}
work: {soak_s: 1800}
protection_groups:
  q07-line: {kind: redundant, members: [q07-main1, q07-main2], soak_h: 24}
relays:
  - {id: q07-main1, bay: Q07, function: main 1, host: 127.1.0.7, maps: [any]}
  - {id: q07-main2, bay: Q07, function: main 2, host: 127.1.0.8, maps: [any]}
  - {id: q08-main1, bay: Q08, function: main 1, host: 127.1.0.9, maps: [any]}
  - {id: q09-bay, bay: Q09, function: bay controller, host: 127.1.0.10, maps: [any]}
"""
APPROVED: Final = """
format: 1
rules:
  - id: tarn
    family: Tarn TD
    match: {vendors: [Tarn]}
    version_scheme: {kind: dotted}
    target: V2.11
    approved: [V2.10, V2.11]
    steps:
      - {from: V2.10, to: V2.11, direction: update, settings_survive: true,
         can_be_undone: true, minutes: 20, retry_allowed: true, memory_kb: 256}
      - {from: V2.11, to: V2.10, direction: rollback, settings_survive: true,
         can_be_undone: true, minutes: 20, retry_allowed: false}
    procedure: {failed: Leave it isolated and load the package once more., test: Inject and trip.}
"""
FILES: Final = {"site.yaml": SITE, "approved.yaml": APPROVED}

T0: Final = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
"""A Monday morning; work() is from 9 to 12."""
R: Final = "q07-main1"
OTHER: Final = "q08-main1"
BY: Final = "J. Kral (uid 1000)"


@cache
def site() -> Site:
    return load_site("site.yaml", lambda path: FILES[str(PurePosixPath(path))])


def plate(version: str = "V2.10", serial: str = "40117", **more: Any) -> Nameplate:
    known: dict[str, Any] = {"vendor": "Tarn", "model": "TD-40", "hwRev": "B", "paramRev": "7"}
    return Nameplate(**(known | {"swRev": version, "serNum": serial} | more))


def update(relay: str = R, version: str = "V2.11", **changed: Any) -> AddWork:
    """From 9 to 12."""
    known: dict[str, Any] = {
        "relays": (relay,),
        "kind": WorkKind.UPDATE,
        "expects": {"swRev": version},
        "start": T0 + timedelta(hours=1),
        "end": T0 + timedelta(hours=4),
        "zone": "Europe/Berlin",
        "reference": "W-12",
    }
    return AddWork(**(known | changed))


def reading(at: datetime, **changed: Any) -> StatusReading:
    well: dict[str, Any] = {
        "health": Health.OK,
        "behaviour": Behaviour.ON,
        "flags": (("firmware_changed", False),),
        "free_memory_kb": 1_024,
        "stored_records": 0,
    }
    return StatusReading(status=Status(**(well | changed)), quality=Quality.GOOD, at=at)


@dataclass(slots=True, kw_only=True)
class Desk:
    """now moves only when told. live: what the last status reading of each relay says.

    journal: all events; events: those that are not about alarms.
    """

    state: State = field(default_factory=lambda: State(clock_since=T0))
    now: datetime = T0
    live: dict[str, dict[str, Any]] = field(default_factory=dict)
    events: list[ev.Event] = field(default_factory=list)
    journal: list[ev.Event] = field(default_factory=list)

    def give(self, given: Input, by: str | None = None) -> list[ev.Body]:
        """The bodies of the events that came of it, but those about alarms."""
        told = decide(
            self.state, site(), given, self.now, by=by, cause="c", readings=self.readings()
        ).events
        self.state = fold(self.state, enumerate(told, self.state.seq + 1))
        self.journal += told
        told = tuple(event for event in told if event.body.kind not in ALARMS)
        self.events += told
        return [event.body for event in told]

    def readings(self) -> dict[str, StatusReading]:
        return {name: reading(self.now, **values) for name, values in self.live.items()}

    def ask(self, request: Input) -> list[ev.Body]:
        return self.give(request, by=BY)

    def refused(self, request: Input) -> str:
        with pytest.raises(Refusal) as refusal:
            self.ask(request)
        return str(refusal.value)

    def tell(self, finding: Finding, relay: str = R) -> list[ev.Body]:
        return self.give(About(relay=relay, finding=finding))

    def believe(
        self, nameplate: Nameplate, relay: str = R, first_new_at: datetime | None = None
    ) -> list[ev.Body]:
        """Two passes said so, the first of them a minute ago unless told."""
        first = first_new_at or self.now - timedelta(minutes=1)
        return self.tell(
            Believed(
                nameplate=nameplate,
                map="any",
                covers=frozenset({*flat(plate()), *flat(nameplate)}),
                last_old_at=None,
                first_new_at=first,
                relay_time=None,
            ),
            relay,
        )

    def wait(self, **span: float) -> list[ev.Body]:
        """So long, and then the clock asks."""
        self.now += timedelta(**span)
        return self.attend()

    def attend(self) -> list[ev.Body]:
        return self.give(Attend(readings=self.readings()))

    def step_clock(self, by: timedelta) -> None:
        self.now += by
        self.give(Stepped(by_ms=int(by.total_seconds() * 1000)))

    def work(self, name: str = "w1") -> Work:
        return self.state.works[name]

    def where(self, name: str = "w1") -> str:
        return str(self.work(name).state)

    # Ways that many tests go.

    def begin(self) -> None:
        """w1 planned, noted as it must be, and started at 9."""
        self.ask(update())
        self.note(NoteKind.READ_BACK)
        self.note(NoteKind.PARTNER_TRIPS)
        self.now = T0 + timedelta(hours=1)
        self.ask(StartWork(work="w1"))

    def note(self, kind: NoteKind, work: str = "w1") -> list[ev.Body]:
        return self.ask(NoteWork(work=work, note=kind, text="as the sheet says"))

    def end(self, minutes: float = 20) -> None:
        """So long after now; the relay is read again five minutes later."""
        self.now += timedelta(minutes=minutes)
        self.ask(EndWork(work="w1"))
        self.now += timedelta(minutes=5)

    def note_tested_after_soak(self) -> None:
        self.wait(minutes=31)
        self.note(NoteKind.TESTED)
        self.attend()

    def reread(self, relay: str = R) -> list[ev.Body]:
        return self.tell(Reread(at=self.now), relay)


def desk(*, version: str = "V2.10") -> Desk:
    """All but q09-bay answer and were read; of q09-bay nothing is known."""
    made = Desk()
    made.give(SiteRead())
    for number, name in enumerate(("q07-main1", "q07-main2", "q08-main1"), 1):
        made.tell(Answering(), name)
        made.believe(plate(version, serial=f"4011{number}"), name)
        edges = Edges(health=Health.OK, behaviour=Behaviour.ON, last_old_at=None, first_new_at=T0)
        made.tell(edges, name)
        made.live[name] = {}
    accepted = AcceptBaseline(relays=tuple(made.live), why="first roll")
    made.ask(accepted)
    return made


def entered(relay: str, values: dict[str, str], at: datetime) -> EnterReading:
    return EnterReading(relay=relay, values=values, read_at=at)
