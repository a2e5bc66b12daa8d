"""An invented substation for answers: three positions and one that is no longer listed."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any, Final

from poller.model.events import Body, Event, Recorded
from poller.model.nameplate import Component, Nameplate
from poller.model.standing import Baseline, Flag, Manual, Relay, State
from poller.model.status import Behaviour, Health, Quality, Status, StatusReading

NOW: Final = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)


def ago(**span: float) -> datetime:
    return NOW - timedelta(**span)


ACCEPTED: Final = Nameplate(
    vendor="Tarn",
    model="TD-40",
    serNum="40117",
    swRev="V2.10.00",
    orderCode="TD40-A",
    components=(Component(name="boot", swRev="1.4"),),
)
PRESENT: Final = Nameplate(
    vendor="Tarn",
    model="TD-40",
    serNum="40117",
    swRev="V2.11.00",
    orderCode="TD40-A",
    components=(Component(name="boot", swRev="1.5"),),
)
Q07: Final = Relay(
    bay="Q07",
    function="main 1",
    address="127.1.0.7:502/255",
    nameplate=PRESENT,
    nameplate_since=ago(hours=2),
    map="tarn",
    baseline=Baseline(
        nameplate=ACCEPTED, at=ago(days=30), by="J. Kral", why="first roll", reference="W-12"
    ),
    flags={
        "storage_low": Flag(says="Storage for records is nearly full.", since=ago(days=2)),
        "firmware_changed": Flag(says="Firmware was changed.", since=ago(hours=2)),
    },
    health=Health.WARNING,
    behaviour=Behaviour.ON,
    setting_group=1,
    answering=True,
    answering_since=ago(days=3),
    seen_day="2026-03-01",
    findings=("block_split",),
    duplicates=("q10-main1",),
)
Q10: Final = Relay(
    bay="Q10",
    function="main 1",
    address="127.1.0.10:502/255",
    manual=Manual(
        values={"swRev": "B", "vendor": "Fell", "serNum": "40117"}, read_at=ago(days=5), by="Ute"
    ),
    answering=False,
    answering_since=ago(days=6),
    misfit=Nameplate(model="F9"),
    paused=True,
)
STATE: Final = State(
    seq=100,
    site="hollin",
    relays={
        "q10-main1": Q10,
        "q07-main2": Relay(bay="Q07", function="main 2", address="127.1.0.8:502/255"),
        "q07-main1": Q07,
        "q2-bay": Relay(bay="Q2", function="bay controller", address="127.1.0.2:502/255"),
        "old": Relay(bay="Q01", function="main 1", address="127.1.0.1:502/255", listed=False),
    },
)
READING: Final = StatusReading(
    status=Status(
        health=Health.OK,
        behaviour=Behaviour.TEST,
        flags=(("storage_low", True),),
        setting_group=2,
        stored_records=1,
        uptime_s=273_600,
        relay_time=ago(seconds=3),
    ),
    quality=Quality.GOOD,
    at=ago(seconds=12.7),
    bad=("free_memory_kb",),
)
LIVE: Final = {"q07-main1": READING}


def event(body: Body, subject: str = "q07-main1", by: str | None = None, **more: Any) -> Event:
    return Event(**({"at": NOW, "subject": subject, "body": body, "by": by} | more))


def recorded(seq: int, one: Event) -> Recorded:
    return Recorded(seq=seq, id=f"journal-{seq}", event=one, hash="0" * 64, stored=b"{}")
