"""A small invented site, its events, and the real pump over a journal in memory."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta
from random import Random
from typing import Any

from poller.alarms.requests import AckAlarm
from poller.journal.memory import MemoryCommitter
from poller.model import events as ev
from poller.model.alarms import AlarmState, Audience, Happening, Priority
from poller.model.nameplate import Component, Nameplate
from poller.model.refusal import Refusal
from poller.model.standing import State
from poller.model.status import Behaviour, Health, Quality, Status, StatusReading
from poller.model.work import FirmwareStatus, Plan, WorkKind, WorkState
from poller.publishing.mqtt.output import MqttOutput, open_output
from poller.publishing.port import Durable, Pump
from poller.publishing.ports import Context
from poller.site.settings import RelayEntry, Site, SiteFile
from poller.state import fold

T0 = datetime(2026, 3, 1, 4, 5, 6, 789_000, tzinfo=UTC)
PLATE = Nameplate(vendor="Tarn", model="TD-40", serNum="40117", swRev="V2.10.00")
Q07, Q08 = "q07-main-1", "q08-main-1"


def site(broker: dict[str, Any] | None = None, **more: Any) -> Site:
    relays = tuple(
        RelayEntry(id=name, bay=name[:3], function="main 1", host="127.1.0.1", maps=("any",))
        for name in (Q07, Q08)
    )
    file = SiteFile(
        format=1, site="tarn-hill", name="Tarn Hill", relays=relays, broker=broker, **more
    )
    return Site(file=file, maps={}, texts={}, sha256="0" * 64)


def event(body: ev.Body, relay: str = Q07, at: datetime = T0) -> ev.Event:
    return ev.Event(at=at, subject=relay, body=body)


def listed(relay: str = Q07) -> ev.Event:
    body = ev.RelayListed(bay=relay[:3], function="main 1", address="127.1.0.1:502/255")
    return event(body, relay)


def delisted(relay: str = Q07) -> ev.Event:
    return event(ev.RelayDelisted(), relay)


def first_read(relay: str = Q07, **more: Any) -> ev.Event:
    parts = (Component(name="boot", swRev="1.4"),)
    plate = Nameplate(
        vendor="Tarn", model="TD-40", serNum="40117", components=parts, **{"swRev": "1.0", **more}
    )
    return event(ev.NameplateFirstRead(nameplate=plate, map="tarn", first_new_at=T0), relay)


def changed(version: str, relay: str = Q07) -> ev.Event:
    plate = Nameplate(vendor="Tarn", model="TD-40", serNum="40117", swRev=version)
    change = ev.Change(
        attribute="swRev",
        before="1.0",
        after=version,
        change=ev.ChangeClass.UNPLANNED,
        order=ev.Order.NEWER,
    )
    body = ev.NameplateChanged(
        change=ev.ChangeClass.UNPLANNED,
        changes=(change,),
        nameplate=plate,
        map="tarn",
        last_old_at=T0,
        first_new_at=T0 + timedelta(seconds=60),
    )
    return event(body, relay)


def seen(number: int, relay: str = Q07) -> ev.Event:
    """One of many events that move nothing a person looks at."""
    return event(ev.RelaySeen(day="2026-03-01", reads_before=number), relay)


def judged(status: FirmwareStatus, relay: str = Q07, attribute: str = "swRev") -> ev.Event:
    body = ev.FirmwareStatusChanged(
        attribute=attribute,
        before=None,
        after=status,
        version="1.0",
        target="2.0",
        rule="td-40",
    )
    return event(body, relay)


def planned(work: str = "w1", relay: str = Q07, **more: Any) -> ev.Event:
    plan = {
        "relay": relay,
        "kind": WorkKind.UPDATE,
        "expects": {"swRev": "2.0"},
        "before": {"swRev": "1.0"},
        "start": T0,
        "end": T0 + timedelta(hours=4),
        "zone": "Europe/Oslo",
        **more,
    }
    return event(ev.WorkAdded(work=work, plan=Plan(**plan)), relay)


def moved(work: str = "w1", after: WorkState = WorkState.UNDER_WAY, why: str = "") -> ev.Event:
    return event(ev.WorkMoved(work=work, before=WorkState.PLANNED, after=after, why=why))


SILENT = f"{Q07}.silent"


def alarmed(
    after: AlarmState = AlarmState.UNACKNOWLEDGED,
    *,
    alarm: str = SILENT,
    audience: tuple[Audience, ...] = (Audience.OPERATOR_ALARM,),
    says: str = "it does not answer",
    by: str | None = None,
    comment: str | None = None,
) -> ev.Event:
    """An alarm that came (B), was acknowledged (C) or went (A)."""
    happening = {
        AlarmState.UNACKNOWLEDGED: Happening.OCCURS,
        AlarmState.ACKNOWLEDGED: Happening.ACKNOWLEDGED,
    }.get(after, Happening.RETURNS)
    body = ev.AlarmMoved(
        alarm=alarm,
        entry=alarm.split(".", 1)[1],
        audience=audience,
        priority=Priority.LOW,
        happening=happening,
        before=AlarmState.NORMAL,
        after=after,
        says=says,
        since=T0,
        occurrence="",
        annunciated=True,
        chattering=False,
        comment=comment,
    )
    return ev.Event(at=T0, subject=Q07, body=body, by=by)


def reading(*, at_s: float = 0, quality: Quality = Quality.GOOD, **values: Any) -> StatusReading:
    status = Status(**{"health": Health.OK, "behaviour": Behaviour.ON, **values})
    return StatusReading(status=status, quality=quality, at=T0 + timedelta(seconds=at_s))


class House:
    """Journal, durable state and live readings; they outlive the output that publishes them."""

    def __init__(self) -> None:
        self.journal = MemoryCommitter()
        self.durable = Durable(State())
        self.live: dict[str, StatusReading] = {}
        self.secrets: dict[str, str] = {}
        self.recorded: list[ev.Recorded] = []
        self.gaps: list[tuple[str, int, int]] = []
        self.acks: list[tuple[AckAlarm, str, str]] = []
        self.refuses: str | None = None
        self.clock_kept: bool | None = True
        self.stuck = False

    async def commit(self, *events: ev.Event) -> None:
        recorded = await self.journal.commit(events)
        self.recorded += recorded
        pairs = [(one.seq, one.event) for one in recorded]
        self.durable.set(fold(self.durable.state, pairs), recorded)

    async def on_gap(self, output: str, first: int, last: int) -> None:
        self.gaps.append((output, first, last))

    async def acknowledge(self, request: AckAlarm, number: str, by: str) -> None:
        self.acks.append((request, number, by))
        if self.refuses is not None:
            raise Refusal(self.refuses)
        acked = alarmed(AlarmState.ACKNOWLEDGED, alarm=request.alarm, by=by, comment=request.why)
        await self.commit(acked)

    def context(
        self, of: Site, *, name: str = "mqtt", folder: str = ".", **settings: Any
    ) -> Context:
        return Context(
            name=name,
            site=of,
            settings=settings,
            reader=self.journal,
            committer=self.journal,
            live=self._live,
            now=lambda: T0,
            secrets=lambda named: self.secrets.get(named.env),
            acknowledge=self.acknowledge,
            state=lambda: self.durable.state,
            clock_kept=lambda: self.clock_kept,
            stuck=lambda: self.stuck,
            extra={"folder": folder, "random": Random(7)},
        )

    def mqtt(self, of: Site, **more: Any) -> MqttOutput:
        return open_output(self.context(of, retry_cap_s=0.2, **more))

    def pump(self, *outputs: Any, **more: Any) -> Pump:
        return Pump(
            outputs=outputs,
            durable=self.durable,
            reader=self.journal,
            committer=self.journal,
            on_gap=self.on_gap,
            random=Random(7),
            **more,
        )

    def _live(self) -> Mapping[str, StatusReading]:
        return self.live

    @property
    def ids(self) -> list[str]:
        return [one.id for one in self.recorded]


class Running:
    """async with Running(pump.run()): runs beside, and is cancelled at the end."""

    def __init__(self, work: Any) -> None:
        self._work = work

    async def __aenter__(self) -> asyncio.Task[None]:
        self.task: asyncio.Task[None] = asyncio.ensure_future(self._work)
        return self.task

    async def __aexit__(self, *reason: object) -> None:
        self.task.cancel()
        await asyncio.wait((self.task,))
        if not self.task.cancelled() and self.task.exception() is not None:
            raise AssertionError("ended by itself") from self.task.exception()


async def until(true: Callable[[], object], *, within_s: float = 20) -> None:
    """Other processes answer when they like: looked at often, and given up late."""
    async with asyncio.timeout(within_s):
        while not true():  # noqa: ASYNC110 - nothing there to wait on
            await asyncio.sleep(0.01)
