"""What is said of each event about an alarm; who: J. Kral."""

from __future__ import annotations

import dataclasses
from datetime import UTC, datetime
from typing import Final

from poller.model import events as ev
from poller.model.alarms import AlarmState, Audience, Happening, Inhibit, Priority, Timer
from poller.model.events import Body

THEN: Final = datetime(2026, 3, 1, 4, 5, 6, tzinfo=UTC)
SILENT: Final = "q07-main-1.silent"
A, B, C, D = AlarmState
ALARM: Final = (Audience.OPERATOR_ALARM,)
NOTICE: Final = (Audience.ENGINEERING_NOTICE,)
BOTH: Final = (Audience.OPERATOR_ALARM, Audience.SECURITY_EVENT)
CAME: Final = ev.AlarmMoved(
    alarm=SILENT,
    entry="silent",
    audience=ALARM,
    priority=Priority.LOW,
    happening=Happening.OCCURS,
    before=A,
    after=B,
    says="it does not answer",
    since=THEN,
    occurrence="",
    annunciated=True,
    chattering=False,
)


def moved(happening: Happening, before: AlarmState, after: AlarmState) -> ev.AlarmMoved:
    return dataclasses.replace(CAME, happening=happening, before=before, after=after)


ABOUT_ALARMS: list[tuple[Body, str]] = [
    (CAME, "alarm q07-main-1.silent (low priority) came: it does not answer."),
    (
        dataclasses.replace(CAME, before=C, audience=BOTH, priority=Priority.MEDIUM),
        "alarm and security event q07-main-1.silent (medium priority) came again: it does not "
        "answer.",
    ),
    (
        dataclasses.replace(CAME, before=D, audience=NOTICE, chattering=True),
        "notice q07-main-1.silent (low priority) came again, and so often that it is held until it "
        "rests: it does not answer.",
    ),
    (
        dataclasses.replace(CAME, annunciated=False),
        "alarm q07-main-1.silent (low priority) came, and is kept from the list: it does not "
        "answer.",
    ),
    (
        moved(Happening.RETURNS, B, D),
        "alarm q07-main-1.silent is over, and was not acknowledged yet.",
    ),
    (
        dataclasses.replace(moved(Happening.RETURNS, C, A), comment="looked at the relay"),
        "alarm q07-main-1.silent is over, reset by J. Kral: looked at the relay.",
    ),
    (
        dataclasses.replace(moved(Happening.ACKNOWLEDGED, B, C), comment="crew called"),
        "alarm q07-main-1.silent was acknowledged by J. Kral: crew called.",
    ),
    (
        moved(Happening.ACKNOWLEDGED, D, A),
        "alarm q07-main-1.silent was acknowledged by J. Kral.",
    ),
    (
        moved(Happening.RELEASED_NORMAL, B, A),
        "alarm q07-main-1.silent was over when it came back to the list.",
    ),
    (
        moved(Happening.RELEASED_ALARM, C, B),
        "alarm q07-main-1.silent (low priority) came back to the list: it does not answer.",
    ),
    (
        ev.TimerSet(alarm=SILENT, entry="silent", timer=Timer.ON_DELAY, until=THEN),
        "alarm q07-main-1.silent comes on 2026-03-01 04:05:06 UTC if its condition stands until "
        "then.",
    ),
    (
        ev.TimerSet(alarm=SILENT, entry="silent", timer=Timer.ON_DELAY, until=None),
        "alarm q07-main-1.silent does not come; its condition did not stand for so long.",
    ),
    (
        ev.TimerSet(alarm=SILENT, entry="silent", timer=Timer.OFF_DELAY, until=THEN),
        "alarm q07-main-1.silent ends on 2026-03-01 04:05:06 UTC if its condition stays away until "
        "then.",
    ),
    (
        ev.TimerSet(alarm=SILENT, entry="silent", timer=Timer.OFF_DELAY, until=None),
        "alarm q07-main-1.silent stays; its condition came back.",
    ),
    (
        ev.AlarmInhibited(
            alarm=SILENT, entry="silent", inhibit=Inhibit.SHELVED, until=THEN, why="crew at site"
        ),
        "alarm q07-main-1.silent was shelved by J. Kral until 2026-03-01 04:05:06 UTC: crew at "
        "site.",
    ),
    (
        ev.AlarmInhibited(
            alarm=SILENT, entry="silent", inhibit=Inhibit.OUT_OF_SERVICE, until=None, why="rebuilt"
        ),
        "alarm q07-main-1.silent was taken out of service by J. Kral: rebuilt.",
    ),
    (
        ev.AlarmInhibited(
            alarm=SILENT, entry="silent", inhibit=Inhibit.SUPPRESSED, until=None, why="w3"
        ),
        "alarm q07-main-1.silent was suppressed by design: work w3 causes it.",
    ),
    (
        ev.AlarmReleased(alarm=SILENT, inhibit=Inhibit.SHELVED, why="its time is over"),
        "alarm q07-main-1.silent was unshelved by J. Kral: its time is over.",
    ),
    (
        ev.AlarmReleased(alarm=SILENT, inhibit=Inhibit.OUT_OF_SERVICE, why="rebuilt"),
        "alarm q07-main-1.silent was returned to service by J. Kral: rebuilt.",
    ),
    (
        ev.AlarmLatched(alarm=SILENT, held=True),
        "alarm q07-main-1.silent: its condition is over; it is held until it is reset.",
    ),
    (
        ev.AlarmLatched(alarm=SILENT, held=False),
        "alarm q07-main-1.silent: its condition came back while it was held.",
    ),
    (
        ev.AlarmRated(alarm=SILENT, audience=ALARM, priority=Priority.HIGH),
        "q07-main-1.silent is of high priority by the catalogue now, as alarm.",
    ),
    (
        ev.PointBlockAssigned(owner="q07-main-1", block=3),
        "its points stand in block 3 for ever.",
    ),
    (
        ev.PointPlacesAssigned(first=4, entries=("silent",)),
        "in every block of points these alarms have their places, from 4 on: silent.",
    ),
    (
        ev.PointPlacesAssigned(first=0, entries=("a", "b", "c", "d", "e", "f")),
        "in every block of points these alarms have their places, from 0 on: a, b, c, d and 2 "
        "more.",
    ),
]
