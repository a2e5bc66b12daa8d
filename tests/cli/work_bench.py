"""The bench with planned work, an investigation and a spare in its journal."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

from poller.journal.store import Batch, Writer
from poller.model import events as ev
from poller.model.events import Body, Change, ChangeClass, Event, Order
from poller.model.nameplate import flat
from poller.model.work import (
    Disposition,
    FirmwareStatus,
    Line,
    NoteKind,
    Plan,
    SettingsFile,
    WorkKind,
    WorkState,
)
from tests.cli.bench import HOSTILE, Bench, nameplate

BY: Final = "Ada Quill (uid 7)"
# windows far ahead: whenever the tests run, they are still to come
START: Final = datetime(2096, 3, 1, 7, 0, tzinfo=UTC)


def plan(relay: str, version: str, start: datetime = START) -> Plan:
    return Plan(
        relay=relay,
        kind=WorkKind.UPDATE,
        expects={"swRev": version},
        before=flat(nameplate("5.2")),
        start=start,
        end=start + timedelta(hours=4),
        zone="Europe/Vienna",
        reference="WO 31",
        settings=SettingsFile(name="q01.set", sha256_before="a" * 64),
    )


UP: Final = Change(
    attribute="swRev",
    before="5.1 SP2",
    after=HOSTILE,
    change=ChangeClass.UNPLANNED,
    order=Order.NOT_COMPARABLE,
)
TOOK_NOT: Final = Line(name="swRev", expected="5.3", read=HOSTILE, at=START, ok=False)
HAPPENED: Final[tuple[tuple[str, Body], ...]] = (
    ("q01-main1", ev.WorkAdded(work="w1", plan=plan("q01-main1", "5.3"))),
    ("q02-main1", ev.WorkAdded(work="w2", plan=plan("q02-main1", HOSTILE))),
    ("q01-main1", ev.WorkNoted(work="w1", note=NoteKind.REMARK, text=HOSTILE)),
    (
        "q01-main1",
        ev.VerificationChecked(work="w1", lines=(TOOK_NOT,), holds=False, proven=False),
    ),
    (
        "q02-main1",
        ev.WorkMoved(
            work="w2", before=WorkState.PLANNED, after=WorkState.CANCELLED, why="not needed"
        ),
    ),
    (
        "q02-main1",
        ev.InvestigationOpened(investigation="i8", change=ChangeClass.UNPLANNED, changes=(UP,)),
    ),
    (
        "q01-main1",
        ev.InvestigationOpened(investigation="i9", change=ChangeClass.SETTINGS, changes=(UP,)),
    ),
    (
        "q01-main1",
        ev.DispositionGiven(investigation="i9", disposition=Disposition.MISTAKE, why=HOSTILE),
    ),
    (
        "q02-main1",
        ev.FirmwareStatusChanged(
            attribute="swRev",
            before=None,
            after=FirmwareStatus.WITHDRAWN,
            version=HOSTILE,
            target="5.3",
            rule="larch-x",
        ),
    ),
    (
        "q02-main1",
        ev.BaselineAccepted(
            nameplate=nameplate("5.1 SP2", "TW1900004"), why=HOSTILE, reference=HOSTILE
        ),
    ),
    (
        "",
        ev.SpareShelved(
            vendor="Tarnwick Electric",
            serNum="TW1900044",
            model="LARCH-21",
            orderCode="L21-A",
            swRev="5.3",
            shelf=HOSTILE,
            tested_on="2026-02-11",
        ),
    ),
    (
        "",
        ev.SpareShelved(
            vendor=HOSTILE,
            serNum="K7",
            model=HOSTILE,
            orderCode=None,
            swRev=None,
            shelf="B1",
            tested_on=None,
        ),
    ),
)


class WorkBench(Bench):
    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        at = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
        events = [Event(at=at, subject=name, body=body, by=BY) for name, body in HAPPENED]
        with Writer.open(self.journal) as writer:
            writer.write([Batch(events=events)])
