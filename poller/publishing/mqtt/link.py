"""What every output over MQTT has: its broker, one connection at a time, and what deliver() gives.

A connection is called again for ever; its reason to be away is told once and not at each try.
"""

from __future__ import annotations

import asyncio
import ssl
from abc import ABC, abstractmethod
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Annotated, Any, Final, TypeVar

import aiomqtt
import structlog
from pydantic import Field

from poller.model import limits
from poller.model.backoff import Backoff
from poller.model.events import Recorded
from poller.model.problems import Faulty, Problem
from poller.model.standing import State
from poller.publishing.mqtt.client import Client
from poller.publishing.ports import Context, OutputStatus
from poller.publishing.tls import tls_context, usable
from poller.site.settings import Broker, Secret
from poller.site.strict import Strict

log = structlog.get_logger(__name__)

STEADY_S: Final = 5.0  # a connection that lasted for so long is no sign of another of our name
BRIEF_TOLD: Final = 3  # once or twice a broker may just have been started anew
PROTOCOLS: Final = {"5": aiomqtt.ProtocolVersion.V5, "3.1.1": aiomqtt.ProtocolVersion.V311}


class LinkSettings(Strict):
    """Of an entry in outputs. broker: in place of the site's.

    client_id: two programs under one id put each other off the broker.
    retry_cap_s: the longest wait between two tries; 30 s, two tries a minute.
    """

    broker: Broker | None = None
    client_id: Annotated[str, Field(min_length=1, max_length=65)] | None = None
    retry_cap_s: Annotated[float, Field(ge=0.1, le=600)] = limits.OUTPUT_RETRY_CAP_S


@dataclass(slots=True)
class Work:
    """What deliver() was given, for whichever connection gets to it. acked: seq."""

    events: Sequence[Recorded]
    acked: int
    done: asyncio.Future[int]

    def tell(self) -> None:
        if not self.done.done():
            self.done.set_result(self.acked)


class Link(ABC):
    """ports.Output but for one connection. deliver() hands work to the one that run() keeps."""

    def __init__(self, context: Context, settings: LinkSettings, broker: Broker) -> None:
        self.name = context.name
        self._context = context
        self._broker = broker
        self._site = context.site.file.site
        self._client_id = settings.client_id or f"bayroll-{self._site}-{context.name}"
        self._backoff = Backoff(
            context.extra.get("random") or Random(),  # noqa: S311 - jitter, no secret
            first_s=min(limits.OUTPUT_RETRY_FIRST_S, settings.retry_cap_s),
            cap_s=settings.retry_cap_s,
        )
        self._folder = Path(context.extra.get("folder", "."))
        self._state: State | None = None
        self._work: Work | None = None
        self._acked: int | None = None
        self._wake = asyncio.Event()
        self._connected = False
        self._stood_from = 0.0  # seconds of the loop
        self._worked = False  # this connection did what it is for
        self._brief = 0  # connections in a row that were lost as soon as they stood
        self._says = "not connected yet"

    def status(self) -> OutputStatus:
        return OutputStatus(connected=self._connected, says=self._says)

    async def deliver(self, events: Sequence[Recorded], state: State) -> int:
        """As ports.Output. With no events: the last acknowledged seq so far."""
        acked = events[0].seq - 1 if events else self._cursor()
        work = Work(events, acked, asyncio.get_running_loop().create_future())
        self._state = state
        self._work = work
        self._wake.set()
        try:
            self._acked = await work.done
        finally:
            if self._work is work:
                self._work = None
        return self._acked

    async def run(self) -> None:
        while True:
            self._worked = False
            try:
                await self._connection()
            except* (aiomqtt.MqttError, OSError) as group:
                self._count()
                self._away(_first(group))
            await asyncio.sleep(self._backoff.next_s())

    def _count(self) -> None:
        """Two clients of one name put each other off as fast as they come: what did not last is
        tried again later and later, although it stood."""
        lasted = asyncio.get_running_loop().time() - self._stood_from >= STEADY_S
        if self._worked and lasted:
            self._backoff.reset()
        self._brief = self._brief + 1 if self._worked and not lasted else 0

    @abstractmethod
    async def _connection(self) -> None:
        """One connection, from beginning to end. Raises MqttError or OSError where it is lost."""

    def _cursor(self) -> int:
        """The last acknowledged seq."""
        if self._acked is None:
            self._acked = self._context.reader.cursor(self.name)
        return self._acked

    def _to(self, **settings: Any) -> Client:
        """A client of the broker; settings: what an output adds, its will for one."""
        broker = self._broker
        return Client(
            broker.host,
            broker.port,
            identifier=self._client_id,
            protocol=PROTOCOLS[broker.protocol],
            username=self._secret("user", broker.user),
            password=self._secret("password", broker.password),
            keepalive=broker.keepalive_s,
            **({"clean_start": True} if self._is_5 else {"clean_session": True}),
            tls_context=self.tls(),
            packet_max=broker.maximum_packet_size,
            **settings,
        )

    @property
    def _is_5(self) -> bool:
        return self._broker.protocol == "5"

    @property
    def _ack_s(self) -> float:
        """A dead peer is noticed by then; who answers pings but never this is as good as dead."""
        return 2.0 * self._broker.keepalive_s

    def _secret(self, what: str, named: Secret | None) -> str | None:
        """Looked up at each connection, so that a changed file is taken without a restart."""
        if named is None:
            return None
        value = self._context.secrets(named)
        if value is None:
            place = f"environment variable {named.env}" if named.env else f"file {named.file}"
            raise OSError(f"the {what} is not to be had: {place} is not set")
        return value

    def tls(self) -> ssl.SSLContext | None:
        """Made anew for each connection, so that renewed certificates are taken. Raises OSError."""
        tls = self._broker.tls
        return None if tls is None else tls_context(tls, self._folder)

    def _arrived(self) -> None:
        self._connected = True
        self._stood_from = asyncio.get_running_loop().time()
        self._says = f"connected to {self._broker.host}:{self._broker.port}"
        log.info("output connected", output=self.name, says=self._says)

    def _away(self, reason: BaseException) -> None:
        says = f"{self._broker.host}:{self._broker.port}: {reason.__cause__ or reason}"
        if self._brief >= BRIEF_TOLD:
            says += f"; lost as soon as it stands: another client may be called {self._client_id}"
        if says != self._says:
            log.warning("output away", output=self.name, reason=says)
        self._says = says


S = TypeVar("S", bound=LinkSettings)
L = TypeVar("L", bound=Link)


def open_link(context: Context, kind: type[S], make: Callable[[Context, S, Broker], L]) -> L:
    """Connects to nothing yet. Raises pydantic.ValidationError or Faulty.

    context.extra["folder"]: where relative names of certificates begin; else the working folder.
    context.extra["random"]: a random.Random for the jitter.
    """
    settings = kind.model_validate(dict(context.settings))
    broker = settings.broker or context.site.file.broker
    if broker is None:
        raise Faulty(
            [
                Problem(
                    code="output-broker-missing",
                    file="",
                    at=f"outputs.{context.name}",
                    what="no broker is named",
                    mend="add broker: with host and port",
                )
            ]
        )
    output = make(context, settings, broker)
    usable(output.tls, at="broker.tls")
    return output


def room(client: Client) -> int | None:
    """Bytes of the longest payload that its broker takes; None: it has not said."""
    if client.packet_max is None:
        return None
    return client.packet_max - limits.MQTT_OVERHEAD_BYTES


def _first(group: BaseExceptionGroup[BaseException]) -> BaseException:
    reason: BaseException = group
    while isinstance(reason, BaseExceptionGroup):
        reason = reason.exceptions[0]
    return reason
