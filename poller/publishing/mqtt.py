"""MQTT: retained topics brought up to the newest state, then every event in order.

One connection at a time under a client id that stays, so that a broker which still holds the last
one ends it, and its will with it, before it takes us on. Sessions are clean: what was not
acknowledged comes again from our own cursor, under the same id.
"""

from __future__ import annotations

import asyncio
import ssl
from collections.abc import Callable, Coroutine, Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from importlib.metadata import version
from math import ceil
from pathlib import Path
from random import Random
from typing import Annotated, Any, Final, Literal

import aiomqtt
import structlog
from paho.mqtt.packettypes import PacketTypes
from pydantic import Field

from poller.journal.ports import CommitFailed, Head
from poller.model import limits
from poller.model.backoff import Backoff
from poller.model.events import Recorded
from poller.model.problems import Faulty, Problem
from poller.model.standing import State
from poller.publishing.mqtt_acks import Acks
from poller.publishing.mqtt_client import Client
from poller.publishing.mqtt_send import Sender, Sent, properties_of
from poller.publishing.ports import Context, OutputStatus
from poller.publishing.projections import Body, event_body, poller_body
from poller.publishing.shelf import Shelf
from poller.publishing.topics import EVENT, POLLER
from poller.site.settings import Broker, Secret
from poller.site.strict import Strict

log = structlog.get_logger(__name__)

PROTOCOLS: Final = {"5": aiomqtt.ProtocolVersion.V5, "3.1.1": aiomqtt.ProtocolVersion.V311}
EXPIRY_PERIODS: Final = 3  # of status_publish_s: two lost in a row are no reason to forget a relay


class MqttSettings(Strict):
    """Of an entry `mqtt` in outputs. broker: in place of the site's.

    client_id: two programs under one id put each other off the broker.
    retry_cap_s: the longest wait between two tries; 30 s, two tries a minute.
    """

    broker: Broker | None = None
    client_id: Annotated[str, Field(min_length=1, max_length=65)] | None = None
    retry_cap_s: Annotated[float, Field(ge=0.1, le=600)] = limits.OUTPUT_RETRY_CAP_S


def open_output(context: Context) -> MqttOutput:
    """Raises pydantic.ValidationError or Faulty; connects to nothing yet.

    context.extra["folder"]: where relative names of certificates begin; else the working folder.
    context.extra["random"]: a random.Random for the jitter.
    """
    settings = MqttSettings.model_validate(dict(context.settings))
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
    output = MqttOutput(context, settings, broker)
    try:
        output.tls()
    except OSError as reason:
        raise Faulty(
            [
                Problem(
                    code="output-tls",
                    file="",
                    at="broker.tls",
                    what=f"a certificate, key or CA file can't be used: {reason}",
                    mend="name PEM files that this user may read, certificate and key of one pair",
                )
            ]
        ) from reason
    return output


@dataclass(slots=True)
class _Work:
    """What deliver() was given, for whichever connection gets to it. acked: seq."""

    events: Sequence[Recorded]
    acked: int
    done: asyncio.Future[int]

    def tell(self) -> None:
        if not self.done.done():
            self.done.set_result(self.acked)


class MqttOutput:
    """ports.Output. deliver() hands work to the connection that run() keeps."""

    def __init__(self, context: Context, settings: MqttSettings, broker: Broker) -> None:
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
        self._version = version("bayroll")
        self._shelf: Shelf | None = None
        self._state: State | None = None
        self._work: _Work | None = None
        self._acked: int | None = None
        self._wake = asyncio.Event()
        self._connected = False
        self._too_long: set[str] = set()
        self._says = "not connected yet"

    def status(self) -> OutputStatus:
        return OutputStatus(connected=self._connected, says=self._says)

    async def deliver(self, events: Sequence[Recorded], state: State) -> int:
        """As ports.Output. With no events: the last acknowledged seq so far."""
        if self._acked is None:
            self._acked = self._context.reader.cursor(self.name)
        acked = events[0].seq - 1 if events else self._acked
        work = _Work(events, acked, asyncio.get_running_loop().create_future())
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
            try:
                await self._connection()
            except* (aiomqtt.MqttError, OSError) as group:
                self._away(_first(group))
            await asyncio.sleep(self._backoff.next_s())

    # One connection.

    async def _connection(self) -> None:
        if self._shelf is None:
            self._shelf = Shelf(self._context.site, self._context.reader.retained(self.name))
        async with self._client() as client:
            try:
                self._shelf.new_connection(_room(client))
                acks = Acks(self._context, self._shelf.id_of)
                # a publisher that waits does not notice that the broker is gone; a reader does
                await _first_to_fail(
                    acks.listen(client),
                    acks.answer(self._sender(client).send_one),
                    self._publish(client, self._shelf),
                )
            except asyncio.CancelledError:
                await self._goodbye(client)
                raise
            finally:
                self._connected = False

    def _client(self) -> Client:
        broker = self._broker
        is_5 = broker.protocol == "5"
        will = self._poller_body("offline", head=None, at=None)
        properties = properties_of(will, PacketTypes.WILLMESSAGE) if is_5 else None
        return Client(
            broker.host,
            broker.port,
            identifier=self._client_id,
            protocol=PROTOCOLS[broker.protocol],
            username=self._secret("user", broker.user),
            password=self._secret("password", broker.password),
            keepalive=broker.keepalive_s,
            **({"clean_start": True} if is_5 else {"clean_session": True}),
            tls_context=self.tls(),
            will=aiomqtt.Will(POLLER.of(self._site), will.payload, 1, True, properties),
        )

    async def _publish(self, client: Client, shelf: Shelf) -> None:
        """Greets, then as often as woken: retained topics to the newest state, then the work."""
        clock = asyncio.get_running_loop().time
        while True:
            self._wake.clear()
            head = self._context.reader.head()
            online = self._poller_body("online", head=head, at=self._context.now())
            shelf.want(POLLER.of(self._site), online)
            if self._state is not None:
                shelf.bring_up(self._state, self._context.live())
            await self._bring_up(client, shelf, clock)
            self._tell_too_long(shelf.too_long())
            if not self._connected:
                self._arrived()
            if self._work is not None and not self._work.done.done():
                await self._deliver(client, self._work)
            # not at the greeting: a broker that refuses every event would be asked without rest
            self._backoff.reset()
            with suppress(TimeoutError):
                async with asyncio.timeout(limits.RETAINED_LOOK_S):
                    await self._wake.wait()

    async def _bring_up(self, client: Client, shelf: Shelf, clock: Callable[[], float]) -> None:
        gone = shelf.to_clear()
        due = shelf.due(clock())
        digests = shelf.to_note(due)
        if digests and await self._note(digests):
            shelf.noted(digests)
        cleared: dict[str, str | None] = {}

        def acked(sent: Sent) -> None:
            if sent.body is None:
                shelf.cleared(sent.topic)
                cleared[sent.topic] = None
            else:
                shelf.published(sent.topic, sent.body, clock())

        # the poller's own topic stands first on the shelf: online before anything else
        ups = [Sent(topic=topic, body=body, retain=True) for topic, body in due]
        downs = [Sent(topic=topic, body=None, retain=True) for topic in gone]
        await self._sender(client).send([*ups, *downs], acked)
        if cleared:
            await self._note(cleared)

    async def _deliver(self, client: Client, work: _Work) -> None:
        room = _room(client)

        def messages() -> Iterable[Sent]:
            for recorded in work.events:
                if recorded.seq > work.acked:
                    body = event_body(recorded, site=self._site, bytes_max=room)
                    yield Sent(
                        topic=EVENT.of(self._site), body=body, retain=False, seq=recorded.seq
                    )

        def acked(sent: Sent) -> None:
            work.acked = sent.seq

        try:
            await self._sender(client).send(messages(), acked)
        except BaseException:
            if work.events and work.acked >= work.events[0].seq:
                work.tell()  # some arrived: the cursor need not wait for the next connection
            raise
        work.tell()

    async def _goodbye(self, client: Client) -> None:
        body = self._poller_body("offline", head=self._head(), at=self._context.now())
        sent = Sent(topic=POLLER.of(self._site), body=body, retain=True)
        with suppress(aiomqtt.MqttError, TimeoutError):
            async with asyncio.timeout(limits.MQTT_GOODBYE_S):
                await self._sender(client).send_one(sent)

    # Small things.

    def _sender(self, client: Client) -> Sender:
        return Sender(
            client,
            is_5=self._broker.protocol == "5",
            expiry_s=ceil(EXPIRY_PERIODS * self._context.site.file.status_publish_s),
            # a dead peer is noticed by then; who answers pings but never this is as good as dead
            ack_s=2.0 * self._broker.keepalive_s,
        )

    def _poller_body(
        self, state: Literal["online", "offline"], *, head: Head | None, at: Any
    ) -> Body:
        return poller_body(site=self._site, version=self._version, state=state, head=head, at=at)

    def _head(self) -> Head | None:
        """At the very end the journal may be closed already."""
        try:
            return self._context.reader.head()
        except Exception:
            return None

    async def _note(self, digests: dict[str, str | None]) -> bool:
        """A disk that is full is no reason to tell nobody how the relays are."""
        try:
            await self._context.committer.note_retained(self.name, digests)
        except CommitFailed as reason:
            log.warning("retained topics not noted", output=self.name, reason=str(reason))
            return False
        return True

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
        if tls is None:
            return None
        context = ssl.create_default_context(cafile=str(self._folder / tls.ca))
        if tls.certificate is not None:
            key = str(self._folder / tls.key) if tls.key else None
            context.load_cert_chain(str(self._folder / tls.certificate), key)
        return context

    def _tell_too_long(self, topics: list[str]) -> None:
        """Told once for each topic, not at each look."""
        for topic in topics:
            if topic not in self._too_long:
                log.warning("retained topic too long for the broker", output=self.name, topic=topic)
        self._too_long = set(topics)

    def _arrived(self) -> None:
        self._connected = True
        self._says = f"connected to {self._broker.host}:{self._broker.port}"
        log.info("output connected", output=self.name, says=self._says)

    def _away(self, reason: BaseException) -> None:
        """Told once for each reason, not at each try."""
        says = f"{self._broker.host}:{self._broker.port}: {reason.__cause__ or reason}"
        if says != self._says:
            log.warning("output away", output=self.name, reason=says)
        self._says = says


async def _first_to_fail(*works: Coroutine[Any, Any, None]) -> None:
    """Runs all until one fails, and raises what it raised.

    Not a TaskGroup: that of 3.11 forgets a cancellation that comes together with a failure, and
    an output that can't be cancelled holds up the end of the service.
    """
    tasks = [asyncio.ensure_future(work) for work in works]
    try:
        await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.wait(tasks)
        # looked at even where we are cancelled, else the loop complains of them
        reasons = [task.exception() for task in tasks if not task.cancelled()]
    for reason in reasons:
        if reason is not None:
            raise reason


def _room(client: Client) -> int | None:
    """Bytes of the longest payload that its broker takes; None: it has not said."""
    if client.packet_max is None:
        return None
    return client.packet_max - limits.MQTT_OVERHEAD_BYTES


def _first(group: BaseExceptionGroup[BaseException]) -> BaseException:
    reason: BaseException = group
    while isinstance(reason, BaseExceptionGroup):
        reason = reason.exceptions[0]
    return reason
