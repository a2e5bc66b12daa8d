"""A journal made by hand: days of 2026, one relay unless said otherwise, and what is gathered."""

from __future__ import annotations

import csv
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final

from poller.answers.evidence.gather import KINDS, Gathering
from poller.answers.evidence.report import Change, RelayPart, Span
from poller.model import events as ev
from poller.model.nameplate import Nameplate
from poller.model.standing import State
from poller.model.work import Plan, WorkKind, WorkState

RELAY: Final = "q07-main1"
CHECKS: Final = Path(__file__).parents[2] / "checks" / "nerc_cip_evidence.csv"
DUTIES: Final = {
    row["part"]: row for row in csv.DictReader(CHECKS.read_text(encoding="utf-8").splitlines())
}
SITE: Final = "format: 1\nsite: hollin\nasset_class: {}\nrelays:\n  - {{host: 192.0.2.7}}\n"
OLD: Final = Nameplate(vendor="Tarn", model="TD-40", serNum="40117", swRev="V2.10.00")
NEW: Final = Nameplate(vendor="Tarn", model="TD-40", serNum="40117", swRev="V2.11.00")


def at(day: str, clock: str = "12:00") -> datetime:
    """01-31: of 2026."""
    return datetime.fromisoformat(f"2026-{day}T{clock}").replace(tzinfo=UTC)


def span(first: str, last: str) -> Span:
    return Span(first=at(first, "00:00"), last=at(last, "00:00"))


def event(day: str, body: ev.Body, *, by: str | None = None, clock: str = "12:00") -> ev.Event:
    about_poller = body.kind in ("site_loaded", "service_started", "service_stopped")
    return ev.Event(at=at(day, clock), subject="" if about_poller else RELAY, body=body, by=by)


def loaded(day: str, asset_class: str) -> ev.Event:
    files = {"site.yaml": SITE.format(asset_class)}
    return event(day, ev.SiteLoaded(site="hollin", sha256=asset_class, files=files))


def listed(day: str) -> ev.Event:
    return event(
        day,
        ev.RelayListed(bay="Q07", function="main 1", address="192.0.2.7:502/255"),
        clock="00:00",
    )


def read(day: str, readings: int = 24) -> ev.Event:
    seen = ev.RelaySeen(day=at(day).date().isoformat(), reads_before=readings)
    return event(day, seen, clock="00:30")


def first_read(day: str) -> ev.Event:
    return event(day, ev.NameplateFirstRead(nameplate=OLD, map="tarn", first_new_at=at(day)))


def accepted(day: str, plate: Nameplate, why: str = "as ordered") -> ev.Event:
    return event(day, ev.BaselineAccepted(nameplate=plate, why=why, reference="W-1"), by="J. Kral")


def entered(day: str, read_on: str) -> ev.Event:
    body = ev.ReadingEntered(values={"swRev": "V2.10.00"}, read_at=at(read_on))
    return event(day, body, by="Ute")


def update(kind: ev.ChangeClass) -> tuple[ev.Change, ...]:
    one = ev.Change(
        attribute="swRev",
        before="V2.10.00",
        after="V2.11.00",
        change=kind,
        order=ev.Order.NEWER,
    )
    return (one,)


def changed(
    day: str, kind: ev.ChangeClass = ev.ChangeClass.UNPLANNED, work: str | None = None
) -> ev.Event:
    body = ev.NameplateChanged(
        change=kind,
        changes=update(kind),
        nameplate=NEW,
        map="tarn",
        last_old_at=at(day, "11:00"),
        first_new_at=at(day),
        work=work,
    )
    return event(day, body)


def opened(day: str) -> ev.Event:
    kind = ev.ChangeClass.UNPLANNED
    return event(day, ev.InvestigationOpened(investigation="i1", change=kind, changes=update(kind)))


def planned(day: str, start: str) -> ev.Event:
    plan = Plan(
        relay=RELAY,
        kind=WorkKind.UPDATE,
        expects={"swRev": "V2.11.00"},
        before={"swRev": "V2.10.00"},
        start=at(start, "08:00"),
        end=at(start, "16:00"),
        zone="UTC",
        reference="WO-7",
    )
    return event(day, ev.WorkAdded(work="w1", plan=plan), by="A. Quill")


def moved(day: str, before: WorkState, after: WorkState, clock: str = "12:00") -> ev.Event:
    return event(
        day, ev.WorkMoved(work="w1", before=before, after=after, why="so it went"), clock=clock
    )


def gathered(
    told: Iterable[ev.Event], over: Span, *, state: State | None = None, **more: Any
) -> Gathering:
    """As the journal's reader gives them: in order, of KINDS, up to the end of the span."""
    events = [one for one in told if one.at < over.last]
    first = next((n for n, one in enumerate(events, 1) if one.at >= over.first), len(events) + 1)
    made = Gathering(over, first, state or State(), **more)
    recorded = [
        ev.Recorded(seq=seq, id=f"j-{seq}", event=one, hash="0" * 64, stored=b"{}")
        for seq, one in enumerate(events, 1)
        if one.body.kind in KINDS
    ]
    for start in range(0, len(recorded), 7):  # batches end anywhere
        made.take(recorded[start : start + 7])
    return made


def the_relay(told: Iterable[ev.Event], over: Span) -> RelayPart:
    (one,) = gathered(told, over).relays()
    return one


def the_change(told: Iterable[ev.Event], over: Span) -> Change:
    (one,) = the_relay(told, over).changes
    return one


def days(first: str, count: int, step: int = 1) -> list[str]:
    return [f"{at(first) + timedelta(days=n):%m-%d}" for n in range(0, count, step)]
