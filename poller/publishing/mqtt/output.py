"""MQTT: retained topics brought up to the newest state, then every event in order.

One connection at a time under a client id that stays, so that a broker which still holds the last
one ends it, and its will with it, before it takes us on. Sessions are clean: what was not
acknowledged comes again from our own cursor, under the same id.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable
from contextlib import suppress
from importlib.metadata import version
from math import ceil
from typing import Any, Final, Literal

import aiomqtt
import structlog

from poller.journal.ports import CommitFailed, Head
from poller.model import limits
from poller.publishing.bodies import event_body, poller_body
from poller.publishing.mqtt.acks import Acks
from poller.publishing.mqtt.client import Client
from poller.publishing.mqtt.link import Link, LinkSettings, Work, open_link, room
from poller.publishing.mqtt.send import Sender, Sent, properties_of
from poller.publishing.mqtt.shelf import Shelf
from poller.publishing.mqtt.topics import EVENT, POLLER
from poller.publishing.ports import Context
from poller.publishing.projections import Body
from poller.publishing.together import first_to_fail
from poller.site.settings import Broker

log = structlog.get_logger(__name__)

MORE_EVENTS_S: Final = 0.02  # in a burst one batch follows the other
RETAINED_WAITS_S: Final = 0.2  # for events; nobody sees so little
SENT_AT_ONCE: Final = 50  # retained; then events have their turn
EXPIRY_PERIODS: Final = 3  # of status_publish_s: two lost in a row are no reason to forget a relay


def open_output(context: Context) -> MqttOutput:
    """As link.open_link."""
    return open_link(context, LinkSettings, MqttOutput)


class MqttOutput(Link):
    """ports.Output."""

    def __init__(self, context: Context, settings: LinkSettings, broker: Broker) -> None:
        super().__init__(context, settings, broker)
        self._version = version("bayroll")
        self._shelf: Shelf | None = None
        self._too_long: set[str] = set()

    # One connection.

    async def _connection(self) -> None:
        if self._shelf is None:
            self._shelf = Shelf(self._context.site, self._context.reader.retained(self.name))
        async with self._client() as client:
            try:
                self._shelf.new_connection(room(client))
                acks = Acks(self._context, self._shelf.id_of)
                # a publisher that waits does not notice that the broker is gone; a reader does
                await first_to_fail(
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
        will = self._poller_body("offline", head=None, at=None)
        properties = properties_of(will) if self._is_5 else None
        return self._to(will=aiomqtt.Will(POLLER.of(self._site), will.payload, 1, True, properties))

    async def _publish(self, client: Client, shelf: Shelf) -> None:
        """Greets, then as often as woken: the events, then retained topics to the newest state.

        What stands retained is newest before the first event of a connection; after that an event
        does not wait for it.
        """
        clock = asyncio.get_running_loop().time
        waits_since: float | None = None  # what is retained, for events
        while True:
            self._wake.clear()
            if await self._tell_events(client):
                waits_since = waits_since or clock()
                waits = clock() - waits_since < RETAINED_WAITS_S
                if waits and await self._woken(MORE_EVENTS_S):
                    continue
            waits_since = None
            head = self._context.reader.head()
            online = self._poller_body("online", head=head, at=self._context.now())
            shelf.want(POLLER.of(self._site), online)
            if self._state is not None:
                for _ in shelf.bring_up(self._state, self._context.live()):
                    await asyncio.sleep(0)  # relays are polled meanwhile
                    await self._tell_events(client)
            await self._bring_up(client, shelf, clock)
            self._tell_too_long(shelf.too_long())
            if not self._connected:
                self._arrived()
                self._wake.set()  # for events that wait
            # not at the greeting: a broker that refuses every event would be asked without rest
            self._worked = True
            await self._woken(limits.RETAINED_LOOK_S)

    async def _woken(self, within_s: float) -> bool:
        with suppress(TimeoutError):
            async with asyncio.timeout(within_s):
                return await self._wake.wait()
        return False

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
        sent = [*ups, *downs]
        for at in range(0, len(sent), SENT_AT_ONCE):
            await self._sender(client).send(sent[at : at + SENT_AT_ONCE], acked)
            await self._tell_events(client)
        if cleared:
            await self._note(cleared)

    async def _tell_events(self, client: Client) -> bool:
        """Those that wait, if any do. None before all that is retained was greeted with."""
        waits = self._connected and self._work is not None and not self._work.done.done()
        if waits and self._work is not None:
            await self._deliver(client, self._work)
        return waits

    async def _deliver(self, client: Client, work: Work) -> None:
        bytes_max = room(client)

        def messages() -> Iterable[Sent]:
            for recorded in work.events:
                if recorded.seq > work.acked:
                    body = event_body(recorded, site=self._site, bytes_max=bytes_max)
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
            is_5=self._is_5,
            expiry_s=ceil(EXPIRY_PERIODS * self._context.site.file.status_publish_s),
            ack_s=self._ack_s,
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

    def _tell_too_long(self, topics: list[str]) -> None:
        """Told once for each topic, not at each look."""
        for topic in topics:
            if topic not in self._too_long:
                log.warning("retained topic too long for the broker", output=self.name, topic=topic)
        self._too_long = set(topics)
