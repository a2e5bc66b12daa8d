"""Alarm points: the operator's alarms as discrete inputs, counts and states as input registers.

Read-only Modbus TCP. What is served is made anew of durable state at each delivery, so that nothing
is owed to a peer: the cursor passes once it is made, whether anybody is there to read it or not.
Nothing is served before there is something to tell, so that a front end which starts with us sees
no answer and never zeros that nobody meant.
"""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from random import Random
from typing import Annotated, Final

import structlog
from pydantic import Field, IPvAnyNetwork

from poller.alarms.point_values import (
    NOT_RUNNING,
    RUNNING,
    STUCK,
    VALUE_MAX,
    StationValue,
    alarms_on,
    values,
)
from poller.alarms.points import (
    ALARMS_A_BLOCK,
    STATION,
    VALUES_A_BLOCK,
    out_of_reach,
    value_number,
)
from poller.answers.words import count
from poller.model import limits
from poller.model.backoff import Backoff
from poller.model.events import Recorded
from poller.model.listening import not_opened
from poller.model.standing import Points, State
from poller.publishing.alarm_points.server import Image, PointsServer
from poller.publishing.ports import Context, OutputStatus
from poller.site.settings import Port, Text
from poller.site.strict import Many, Strict

log = structlog.get_logger(__name__)

BEAT_S: Final = 1.0
BLOCKS_MAX: Final = 65_536 // ALARMS_A_BLOCK  # addresses of a table


class AlarmPointsSettings(Strict):
    """Of an entry `alarm_points` in outputs. clients: networks that may connect; none: any.

    port: 502 is Modbus's own, for which a service needs the right to open low ports.
    idle_s: so long without a request, and a connection is closed.
    """

    host: Text = "127.0.0.1"
    port: Port = 1502
    unit: Annotated[
        int, Field(ge=1, le=255, description="0 and 255 are answered in any case: guide 4.4.1.2")
    ] = 1
    clients: Annotated[Many[IPvAnyNetwork], Field(max_length=limits.POINT_NETWORKS_MAX)] = ()
    clients_max: Annotated[
        int, Field(ge=1, le=limits.POINT_CLIENTS_MAX, description="front ends; they have spares")
    ] = 8
    idle_s: Annotated[
        float, Field(ge=1, le=86_400, description="a front end asks every few seconds")
    ] = 300


def open_output(context: Context) -> AlarmPoints:
    """Raises pydantic.ValidationError; opens no port yet. context.extra["random"]: as for mqtt."""
    return AlarmPoints(context, AlarmPointsSettings.model_validate(dict(context.settings)))


class AlarmPoints:
    """ports.Output."""

    def __init__(self, context: Context, settings: AlarmPointsSettings) -> None:
        self.name = context.name
        self._context = context
        self._settings = settings
        self._backoff = Backoff(
            context.extra.get("random") or Random(),  # noqa: S311 - jitter, no secret
            first_s=limits.OUTPUT_RETRY_FIRST_S,
            cap_s=limits.OUTPUT_RETRY_CAP_S,
        )
        self._points = Points()
        self._left_out = 0
        self._registers: list[int] = []
        self._image = Image()
        self._something = asyncio.Event()
        self._acked: int | None = None
        self._beat = 0
        self._runs = NOT_RUNNING
        self._server: PointsServer | None = None
        self._says = "waits for the first points"

    @property
    def _place(self) -> str:
        return f"{self._settings.host}:{self._settings.port}"

    @property
    def listens(self) -> tuple[str, int]:
        return self._settings.host, self._settings.port

    def status(self) -> OutputStatus:
        if self._server is None:
            return OutputStatus(connected=False, says=self._says)
        clients = len(self._server.clients)
        says = f"serves on {self._place}, unit {self._settings.unit}; clients: {clients}"
        if self._left_out:
            left = count(self._left_out, "relay or gateway", "relays or gateways")
            says += f"; no addresses left for {left}"
        if self._server.refused is not None:
            says += f"; refused last: {self._server.refused}, which is not among clients:"
        return OutputStatus(connected=True, says=says)

    async def deliver(self, events: Sequence[Recorded], state: State) -> int:
        """As ports.Output; returns at once."""
        self._mirror(state)
        if self._acked is None:
            self._acked = self._context.reader.cursor(self.name)
        if events:
            self._acked = events[-1].seq
        return self._acked

    async def run(self) -> None:
        await self._something.wait()
        while True:
            server = self._made()
            try:
                await server.open()
            except (OSError, ValueError) as reason:  # ValueError: a host that is no name
                self._away(reason)
            else:
                await self._serve(server)
            finally:
                server.end()
            await asyncio.sleep(self._backoff.next_s())

    async def _serve(self, server: PointsServer) -> None:
        """Until its port is gone."""
        self._server = server
        self._backoff.reset()
        log.info("output serves", output=self.name, place=self._place)
        try:
            while server.is_open:
                server.end_idle(self._settings.idle_s)
                await asyncio.sleep(BEAT_S)
                self._tick()
        finally:
            self._server = None
            self._says = f"does not listen on {self._place}"

    # What is served.

    def _mirror(self, state: State) -> None:
        """The whole of it at once, so that no answer is half of one state and half of another."""
        blocks = 1 + max((one for some in state.points.blocks.values() for one in some), default=-1)
        blocks = min(blocks, BLOCKS_MAX)
        inputs = bytearray(blocks * ALARMS_A_BLOCK // 8)
        for number in alarms_on(state):
            if number // 8 < len(inputs):
                inputs[number // 8] |= 1 << number % 8
        registers = [0] * (blocks * VALUES_A_BLOCK)
        for number, value in values(state).items():
            if number < len(registers):
                registers[number] = value
        if state.points is not self._points:
            self._points = state.points
            self._left_out = len(out_of_reach(self._points, self._context.site, BLOCKS_MAX))
        self._registers = registers
        self._image = Image(
            inputs=int.from_bytes(inputs, "little"),
            inputs_count=blocks * ALARMS_A_BLOCK,
            registers=registers,
        )
        self._runs = RUNNING if state.running else NOT_RUNNING
        self._own_values()
        if blocks:
            self._something.set()

    def _tick(self) -> None:
        """The heartbeat shows that what is served is kept up, not that a port is open."""
        self._beat = (self._beat + 1) % (VALUE_MAX + 1)
        self._own_values()

    def _own_values(self) -> None:
        for place, value in (
            (StationValue.HEARTBEAT, self._beat),
            (StationValue.READING_AGE, self._reading_age_s()),
            (StationValue.POLLER, STUCK if self._context.stuck() else self._runs),
        ):
            number = value_number(self._points, STATION, place)
            if number is not None and number < len(self._registers):
                self._registers[number] = value

    def _reading_age_s(self) -> int:
        """Of the newest reading of any relay; the largest value where there is none."""
        newest = max((reading.at for reading in self._context.live().values()), default=None)
        if newest is None:
            return VALUE_MAX
        return min(VALUE_MAX, max(0, int((self._context.now() - newest).total_seconds())))

    # Small things.

    def _made(self) -> PointsServer:
        settings = self._settings
        return PointsServer(
            host=settings.host,
            port=settings.port,
            unit=settings.unit,
            clients_max=settings.clients_max,
            networks=settings.clients,
            image=lambda: self._image,
        )

    def _away(self, reason: Exception) -> None:
        """Told once for each reason, not at each try."""
        says = not_opened(self._place, reason)
        if says != self._says:
            log.warning("output away", output=self.name, reason=says)
        self._says = says
