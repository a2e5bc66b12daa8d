"""A site folder whose journal has an alarm of every kind, long ago."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

from poller.decide import SiteRead, Started, decide
from poller.journal.store import Batch, Writer
from poller.model import events as ev
from poller.model.alarms import AlarmState, Audience, Happening, Inhibit, Priority, Timer
from poller.model.events import Body, Event
from poller.model.standing import State
from poller.site.load import load_site
from poller.site.shipped_alarms import TEXT
from poller.state import fold
from tests.cli.bench import HOSTILE, Bench

T0: Final = datetime(2020, 3, 1, tzinfo=UTC)
LATER: Final = datetime(2096, 3, 1, tzinfo=UTC)
BY: Final = "Ada Quill (uid 7)"
A, B, C, D = AlarmState


def moved(
    alarm: str,
    happening: Happening = Happening.OCCURS,
    before: AlarmState = A,
    after: AlarmState = B,
    *,
    audience: Audience = Audience.OPERATOR_ALARM,
    priority: Priority = Priority.LOW,
    comment: str | None = None,
    says: str = "it does not answer",
) -> tuple[str, Body]:
    subject, _, entry = alarm.partition(".")
    body = ev.AlarmMoved(
        alarm=alarm,
        entry=entry,
        audience=(audience,),
        priority=priority,
        happening=happening,
        before=before,
        after=after,
        says=says,
        since=T0 - timedelta(minutes=5),
        occurrence="",
        annunciated=True,
        chattering=False,
        comment=comment,
    )
    return "" if subject == "network" else subject, body


def kept(alarm: str, inhibit: Inhibit, why: str, until: datetime | None = None) -> tuple[str, Body]:
    subject, _, entry = alarm.partition(".")
    body = ev.AlarmInhibited(alarm=alarm, entry=entry, inhibit=inhibit, until=until, why=why)
    return subject, body


def waits(alarm: str) -> tuple[str, Body]:
    subject, _, entry = alarm.partition(".")
    return subject, ev.TimerSet(alarm=alarm, entry=entry, timer=Timer.ON_DELAY, until=LATER)


LATCHED: Final = "q05-main2.settings_changed"
HAPPENED: Final[Sequence[tuple[str, Body]]] = (
    moved("q01-main1.unplanned_change", priority=Priority.MEDIUM, says=HOSTILE),
    moved("q02-main1.silent"),
    moved("q02-main1.silent", Happening.ACKNOWLEDGED, B, C, comment=HOSTILE),
    moved("network.many_silent", priority=Priority.HIGH, says="7 relays fell silent together"),
    moved("q03-control.flag.support_ending", audience=Audience.ENGINEERING_NOTICE),
    moved(LATCHED),
    ("q05-main2", ev.AlarmLatched(alarm=LATCHED, held=True)),
    kept("q03-main1.silent", Inhibit.OUT_OF_SERVICE, HOSTILE),
    moved("q04-main1.silent"),
    kept("q04-main1.silent", Inhibit.SHELVED, "crew at the bay", LATER),
    kept("q06-main1.flag_left", Inhibit.SUPPRESSED, "w1"),
    waits("q06-main1.silent"),
    moved("t1-main1.silent"),
    moved("t1-main1.silent", Happening.RETURNS, B, D),
    moved("t1-main1.silent", Happening.ACKNOWLEDGED, D, A, comment="seen"),
)


class AlarmBench(Bench):
    """One event a minute from T0 on."""

    def _write(self) -> None:
        site = load_site(str(self.site_file), lambda path: Path(path).read_text())
        state = State()
        with Writer.open(self.journal) as writer:
            for given in (Started(version="0"), SiteRead()):
                events = decide(state, site, given, T0).events
                state = fold(state, enumerate(events, start=state.seq + 1))
                writer.write([Batch(events=events)])
            events = [
                Event(at=T0 + timedelta(minutes=at), subject=subject, body=body, by=BY)
                for at, (subject, body) in enumerate(HAPPENED)
            ]
            writer.write([Batch(events=events)])

    def catalogue(self, *changes: tuple[str, str]) -> None:
        """A catalogue of its own: the one that ships, with words put in place of others."""
        text = TEXT
        for before, after in changes:
            assert before in text
            text = text.replace(before, after)
        (self.folder / "alarms.yaml").write_text(text)
        self.site_file.write_text(self.site_file.read_text() + "\nalarms: alarms.yaml\n")
