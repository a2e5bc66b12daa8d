"""An invented substation, event by event: relays go silent, are changed, and are worked on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any, Final

from poller.alarms import book
from poller.alarms.requests import AlarmRequest
from poller.model import events as ev
from poller.model.alarms import Alarm, Own
from poller.model.nameplate import Nameplate
from poller.model.standing import State
from poller.model.status import Behaviour, Health
from poller.model.work import Plan, WorkKind, WorkState
from poller.site.load import load_site
from poller.site.settings import Site
from poller.state import fold

T0: Final = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
PERSON: Final = "J. Kral (uid 1000)"
PLATE: Final = Nameplate(vendor="Tarnwick Electric", model="PK210", serNum="S1", swRev="5.1")

DIRECT: Final = tuple(f"q{n:02}-main1" for n in range(1, 10))
BEHIND: Final = ("k1-feeder", "k2-feeder", "k3-feeder")
FILE: Final = (
    "format: 1\nsite: hollin\nname: Hollin 110 kV\napproved: approved.yaml\nrelays:\n"
    + "".join(
        f"  - {{id: {name}, bay: {name[:3].upper()}, function: main 1, host: 127.1.1.{n},"
        " maps: [any]}\n"
        for n, name in enumerate(DIRECT, 1)
    )
    + "".join(
        f"  - {{id: {name}, bay: {name[:2].upper()}, function: feeder, host: 127.1.2.1,"
        f" unit: {n}, behind_serial: true, maps: [any]}}\n"
        for n, name in enumerate(BEHIND, 1)
    )
)
APPROVED: Final = """\
format: 1
rules:
  - id: larch
    family: Larch protection
    match: {vendors: [Tarnwick Electric]}
    version_scheme: {kind: dotted}
    target: "5.2"
    approved: ["5.1", "5.2"]
    withdrawn: [{version: "4.9", why: It trips late., on: 2025-06-01}]
    steps:
      - {from: "5.1", to: "5.2", direction: update, settings_survive: true,
         can_be_undone: true, minutes: 15, retry_allowed: true}
      - {from: "5.0", to: "5.2", direction: update, settings_survive: false,
         can_be_undone: true, minutes: 15, retry_allowed: true}
"""


def site(alarms: str | None = None, file: str = FILE) -> Site:
    """alarms: text of a catalogue of its own; None: the one that ships."""
    text = file if alarms is None else f"alarms: alarms.yaml\n{file}"
    texts = {"site.yaml": text, "approved.yaml": APPROVED, "alarms.yaml": alarms or ""}

    def read(path: str) -> str:
        return texts[path]

    return load_site("site.yaml", read)


SITE: Final = site()


def at(seconds: float) -> datetime:
    return T0 + timedelta(seconds=seconds)


class World:
    """Times are seconds from T0. told: every event about an alarm, with its time."""

    def __init__(self, one: Site = SITE) -> None:
        self.site = one
        self.state = State()
        self.events: list[ev.Event] = []
        self.own: tuple[Own, ...] = ()
        self._looked_at: object = None
        listed = [
            (entry.id, ev.RelayListed(bay=entry.bay, function=entry.function, address="a"))
            for entry in one.file.relays
        ]
        loaded = ev.SiteLoaded(site="hollin", sha256=one.sha256, files={})
        self.happens(-3_600, ("", loaded), *listed)

    def happens(self, seconds: float, *told: tuple[str, ev.Body], by: str | None = None) -> None:
        """These events come of one input, and then what follows of them for alarms."""
        before = self.state
        events = [
            ev.Event(at=at(seconds), subject=subject, body=body, by=by) for subject, body in told
        ]
        self._take(events)
        follows = book.follow(before, self.state, self.site, events, at(seconds))
        self._take([ev.Event(at=at(seconds), subject=s, body=b) for s, b in follows])

    def look(self, seconds: float) -> list[ev.Body]:
        told = book.attended(self.state, self.site, at(seconds), self.own)
        # what the service goes by: where nothing waits, nothing comes of a look
        same = (self.site, self.own) == self._looked_at
        assert told == [] or not same or book.due(self.state, self.site, at(seconds))
        self._looked_at = (self.site, self.own)
        self._take([ev.Event(at=at(seconds), subject=s, body=b) for s, b in told])
        return [body for _, body in told]

    def run(self, first: float, last: float, step: float = 5) -> None:
        """Looks every few seconds, as the service does."""
        seconds = first
        while seconds <= last:
            self.look(seconds)
            seconds += step

    def ask(self, seconds: float, request: AlarmRequest) -> list[ev.Body]:
        told = book.decided(self.state, self.site, request, at(seconds))
        self.happens(seconds, *told, by=PERSON)
        return [body for _, body in told]

    def _take(self, events: Sequence[ev.Event]) -> None:
        self.state = fold(self.state, enumerate(events, self.state.seq + 1))
        self.events += events

    @property
    def letters(self) -> dict[str, str]:
        """Alarms that are not normal, by id: their letter."""
        return {
            name: alarm.letter
            for name, alarm in sorted(self.state.alarms.items())
            if alarm.letter != "A"
        }

    def alarm(self, name: str) -> Alarm:
        return self.state.alarms[name]

    @property
    def annunciated(self) -> list[str]:
        """Ids, each time that the operator was told."""
        return [
            event.body.alarm
            for event in self.events
            if isinstance(event.body, ev.AlarmMoved)
            and event.body.annunciated
            and event.body.after.value == "B"
        ]


# Events in a line.


def silent(seconds: float) -> ev.RelaySilent:
    """Its last answer was so many seconds from T0."""
    return ev.RelaySilent(last_answer_at=at(seconds), reason="no answer in 3 s")


def answers() -> ev.RelayAnswering:
    return ev.RelayAnswering(silent_since=None)


def rose(flag: str, seconds: float) -> ev.FlagRose:
    return ev.FlagRose(
        flag=flag, says=f"{flag} stands.", last_old_at=None, first_new_at=at(seconds)
    )


def fell(flag: str, seconds: float) -> ev.FlagFell:
    return ev.FlagFell(flag=flag, last_old_at=None, first_new_at=at(seconds))


def read(seconds: float, **new: Any) -> ev.NameplateFirstRead:
    plate = replace(PLATE, **new)
    return ev.NameplateFirstRead(nameplate=plate, map="any", first_new_at=at(seconds))


def behaves(after: Behaviour) -> ev.BehaviourChanged:
    return ev.BehaviourChanged(before=None, after=after)


def health(after: Health) -> ev.HealthChanged:
    return ev.HealthChanged(before=None, after=after)


def opened(number: int, change: ev.ChangeClass, attribute: str = "swRev") -> ev.InvestigationOpened:
    told = ev.Change(attribute=attribute, before="5.1", after="5.2", change=change)
    return ev.InvestigationOpened(investigation=f"i{number}", change=change, changes=(told,))


def added(
    relay: str,
    start_s: float,
    end_s: float,
    kind: WorkKind = WorkKind.UPDATE,
    before: str = "5.1",
    work: str = "w1",
    expects: dict[str, str] | None = None,
) -> ev.WorkAdded:
    plan = Plan(
        relay=relay,
        kind=kind,
        expects=expects or {"swRev": "5.2"},
        before={"swRev": before},
        start=at(start_s),
        end=at(end_s),
        zone="UTC",
    )
    return ev.WorkAdded(work=work, plan=plan)


def moved(before: WorkState, after: WorkState, work: str = "w1") -> ev.WorkMoved:
    return ev.WorkMoved(work=work, before=before, after=after, why="so it is")
