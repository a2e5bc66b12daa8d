"""Work, investigations and boxes in the invented substation of world.py."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any, Final

from poller.model.events import Change, ChangeClass, Order
from poller.model.nameplate import flat
from poller.model.standing import Firmware, Investigation
from poller.model.work import (
    Asset,
    Disposition,
    FirmwareStatus,
    Line,
    Note,
    NoteKind,
    Plan,
    SettingsFile,
    Work,
    WorkKind,
    WorkState,
    asset_key,
)
from tests.answers.world import PRESENT, Q07, STATE, ago

HOSTILE: Final = "V1\x1b[2J\u202e<b onload=x>&'\""

PLAN: Final = Plan(
    relay="q07-main1",
    kind=WorkKind.UPDATE,
    expects={"swRev": "V2.12.00"},
    before=flat(PRESENT),
    start=datetime(2026, 3, 1, 7, 0, tzinfo=UTC),
    end=datetime(2026, 3, 1, 13, 0, tzinfo=UTC),
    zone="Europe/Vienna",
    reference="WO 31",
    settings=SettingsFile(
        name="q07.set", sha256_before="a" * 64, sha256_after="b" * 64, reviewed_by="M. Orne"
    ),
)


def work(name: str = "w1", state: WorkState = WorkState.READY, **more: Any) -> Work:
    given = {
        "id": name,
        "plan": PLAN,
        "state": state,
        "since": ago(hours=3),
        "by": "J. Kral (uid 7)",
        "entered_at": ago(days=1),
    }
    return Work(**(given | more))


def line(name: str, expected: str, read: str | None, ok: bool | None) -> Line:
    return Line(
        name=name, expected=expected, read=read, at=None if read is None else ago(minutes=1), ok=ok
    )


TOOK: Final = line("swRev", "V2.12.00", "V2.12.00", True)
TOOK_NOT: Final = line("swRev", "V2.12.00", "V2.11.00", False)
PROVEN: Final = work(
    state=WorkState.CHECKING,
    proven=True,
    lines=(TOOK,),
    started_at=ago(hours=3),
    ended_at=ago(hours=2),
    reread_at=ago(hours=2),
    held_since=ago(hours=2),
    tries=1,
)


def note(kind: NoteKind, at: datetime, text: str = "protocol 7") -> Note:
    return Note(at=at, by="J. Kral (uid 7)", kind=kind, text=text)


UP: Final = Change(
    attribute="swRev",
    before="V2.10.00",
    after="V2.11.00",
    change=ChangeClass.UNPLANNED,
    order=Order.NEWER,
)
OPEN: Final = Investigation(
    id="i2",
    relay="q07-main1",
    opened_at=ago(days=3, hours=4),
    change=ChangeClass.UNPLANNED,
    changes=(UP,),
)
CLOSED: Final = replace(
    OPEN,
    id="i1",
    opened_at=ago(days=9),
    disposition=Disposition.MISTAKE,
    why="wrong relay of the pair",
    by="M. Orne (uid 8)",
    closed_at=ago(days=8),
    work="w1",
)
SHELVED: Final = Asset(
    vendor="Tarn",
    serNum="40391",
    model="TD-40",
    orderCode="TD40-A",
    swRev="V2.12.00",
    tested_on="2026-02-11",
    places=((ago(days=90), "q07-main1"), (ago(days=30), ""), (ago(days=20), "shelf: A3")),
)
FITTED: Final = Asset(
    vendor="Tarn", serNum="40117", swRev="V2.11.00", places=((ago(days=30), "q07-main1"),)
)
NAMESAKE: Final = Asset(vendor="Fell", serNum="40391", places=((ago(days=1), "shelf: A10"),))


def firmware(status: FirmwareStatus, version: str = "V2.11.00") -> Firmware:
    return Firmware(
        status=status, version=version, target="V2.12.00", rule="tarn", since=ago(days=1)
    )


BUSY: Final = replace(
    STATE,
    relays={
        **STATE.relays,
        "q07-main1": replace(
            Q07,
            firmware={
                "components.boot.swRev": firmware(FirmwareStatus.WITHDRAWN, "1.5"),
                "swRev": firmware(FirmwareStatus.APPROVED_OLDER),
            },
        ),
    },
    works={
        "w1": work("w1", WorkState.CLOSED, plan=replace(PLAN, start=ago(days=9))),
        "w2": replace(PROVEN, id="w2"),
        "w10": work("w10", plan=replace(PLAN, relay="q10-main1", start=ago(days=2))),
    },
    works_ever=10,
    investigations={"i2": OPEN, "i1": CLOSED},
    investigations_ever=2,
    assets={asset_key(one.vendor, one.serNum): one for one in (SHELVED, FITTED, NAMESAKE)},
)


def texts(told: Any) -> Iterator[str]:
    """Every text in a value of plain JSON, names of members too."""
    if isinstance(told, str):
        yield told
    elif isinstance(told, dict):
        for name, inner in told.items():
            yield name
            yield from texts(inner)
    elif isinstance(told, list):
        for inner in told:
            yield from texts(inner)


def looks_of_its_own(text: str) -> bool:
    """Nothing in it moves a cursor, turns text around or ends a line."""
    return not any(unicodedata.category(one)[0] == "C" for one in text)
