"""A Sparkplug 3.0.0 edge node: the site is its group, the poller the node, every relay a device.

Its messages have quality of service 0, which acknowledges nothing. The broker takes packets in the
order in which they were sent, so that its answer to one that is answered confirms those before it:
only then does the cursor pass. What was not confirmed is told in the next session, as historical.
"""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from contextlib import suppress
from importlib.metadata import version
from typing import Any, Final

import aiomqtt
import structlog
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from poller.journal.ports import CommitFailed
from poller.model import limits
from poller.model.events import Recorded
from poller.publishing.mqtt.acks import SUBSCRIPTION_REFUSED
from poller.publishing.mqtt.client import Client
from poller.publishing.mqtt.link import Link, Work, open_link, room
from poller.publishing.ports import Context
from poller.publishing.sparkplug.host import HostOffline, PrimaryHost
from poller.publishing.sparkplug.node import BD_SEQ, Dialogue, Kind, Node, Out, journal_seq
from poller.publishing.sparkplug.payload import DataType, Metric, asks_for_rebirth, encode
from poller.publishing.sparkplug.settings import SparkplugSettings
from poller.publishing.sparkplug.sight import NODE
from poller.publishing.together import first_to_fail
from poller.site.settings import Broker

log = structlog.get_logger(__name__)

NAMESPACE: Final = "spBv1.0"
NUMBERS: Final = 256  # of seq and bdSeq: 0 to 255, and 0 again


def open_output(context: Context) -> SparkplugOutput:
    """As mqtt.link.open_link."""
    return open_link(context, SparkplugSettings, SparkplugOutput)


class _AskedForBirths(Exception):
    """In the middle of data, which stops at once."""


class SparkplugOutput(Link):
    """ports.Output."""

    def __init__(self, context: Context, settings: SparkplugSettings, broker: Broker) -> None:
        super().__init__(context, settings, broker)
        self._group = settings.group or self._site
        self._node_id = settings.node
        self._typed = settings.typed_data
        self._host = PrimaryHost(settings.primary_host)
        self._node = Node(context.site, version("bayroll"))
        self._bd_seq: int | None = None
        self._bd_seq_used = True
        self._seq = 0
        self._born = False
        self._asked = False  # for births
        self._rests_until = 0.0
        self._told_of: set[str] = set()

    # One connection.

    async def _connection(self) -> None:
        bd_seq = await self._next_bd_seq()
        client = self._client(bd_seq)
        self._born = self._asked = False
        self._host.new_session()
        try:
            async with client:
                try:
                    await first_to_fail(self._listen(client), self._publish(client, bd_seq))
                except (asyncio.CancelledError, HostOffline):
                    await self._goodbye(client, bd_seq)
                    raise
        finally:
            self._connected = False
            self._bd_seq_used = self._bd_seq_used or client.called

    def _client(self, bd_seq: int) -> Client:
        properties = None
        if self._is_5:
            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            properties.SessionExpiryInterval = 0
        will = aiomqtt.Will(self._topic("NDEATH"), self._death(bd_seq), 1, False)
        return self._to(will=will, will_anyway=True, properties=properties)

    async def _next_bd_seq(self) -> int:
        """One more than that of the last CONNECT, durable before ours goes out."""
        if self._bd_seq is None:
            last = self._context.reader.retained(self.name).get(BD_SEQ, "")
            self._bd_seq = int(last) if last.isdecimal() else NUMBERS - 1
        if self._bd_seq_used:
            self._bd_seq = (self._bd_seq + 1) % NUMBERS
            self._bd_seq_used = False
            try:
                await self._context.committer.keep(self.name, BD_SEQ, str(self._bd_seq))
            except CommitFailed as reason:  # a full disk is no reason to tell nobody anything
                log.warning("bdSeq not kept", output=self.name, reason=str(reason))
        return self._bd_seq

    async def _listen(self, client: Client) -> None:
        """Raises MqttError when the connection is gone, HostOffline when the primary host is."""
        async for message in client.messages:
            topic, payload = str(message.topic), message.payload
            if not isinstance(payload, bytes):
                continue
            if topic == self._topic("NCMD") and asks_for_rebirth(payload):
                self._asked = True
            elif topic == self._host.topic and not self._host.heard(payload):
                self._once("no state of a host", topic)
            self._wake.set()

    async def _publish(self, client: Client, bd_seq: int) -> None:
        await self._subscribe(client)
        if not self._host.online.is_set():
            self._says = f"waits for the primary host {self._host.name}"
            await self._host.online.wait()
        while self._state is None:
            self._wake.clear()
            await self._wake.wait()
        await self._bear(client, bd_seq)
        self._arrived()
        while True:
            self._wake.clear()
            try:
                await self._look(client)
            except _AskedForBirths:
                await self._bear(client, bd_seq)
                continue
            self._worked = True
            with suppress(TimeoutError):
                async with asyncio.timeout(limits.RETAINED_LOOK_S):
                    await self._wake.wait()

    async def _subscribe(self, client: Client) -> None:
        for topic in filter(None, (self._topic("NCMD"), self._host.topic)):
            granted: Any = await client.subscribe(topic, qos=1, timeout=self._ack_s)
            if any(int(getattr(code, "value", code)) >= SUBSCRIPTION_REFUSED for code in granted):
                if topic == self._host.topic:
                    raise aiomqtt.MqttError(f"it lets nobody hear {topic}")
                log.warning("the broker lets no host ask for births", output=self.name, topic=topic)

    async def _bear(self, client: Client, bd_seq: int) -> None:
        assert self._state is not None, "waited for"
        births = self._node.births(
            self._state, self._context.live(), bd_seq=bd_seq, reached=self._cursor()
        )
        self._asked = False
        await self._tell(client, births)
        self._rests_until = asyncio.get_running_loop().time() + limits.SPARKPLUG_REBIRTH_REST_S

    async def _look(self, client: Client) -> None:
        """Raises _AskedForBirths; what is confirmed by then stays so."""
        assert self._state is not None, "waited for"
        work = self._work if self._work is not None and not self._work.done.done() else None
        if work is not None:
            await self._deliver(client, work)
        await self._tell(client, self._node.bring_up(self._state, self._context.live()))
        self._stop_where_asked()  # there may have been nothing to tell
        if work is not None:
            await self._confirm(client, work, work.events)
            work.tell()

    async def _deliver(self, client: Client, work: Work) -> None:
        """What the events changed and no live metric tells; all but the last are confirmed."""
        assert self._state is not None, "waited for"
        step = limits.SPARKPLUG_STEP_EVENTS
        left = [one for one in work.events if one.seq > work.acked]
        for first in range(0, len(left), step):
            events = left[first : first + step]
            past = self._node.history(events, left, self._state, self._context.live())
            await self._tell(client, past)
            if first + step < len(left):
                await self._confirm(client, work, events)

    async def _confirm(self, client: Client, work: Work, events: Sequence[Recorded]) -> None:
        if not events:
            return
        self._stop_where_asked()
        reached = Out(kind=Kind.DATA, device=NODE, metrics=(journal_seq(events[-1].seq),))
        await self._send(client, reached)
        # MQTT 5.0, 3.10.4: it is answered also where nothing was subscribed
        await client.unsubscribe(self._topic("NDATA"), timeout=self._ack_s)
        self._acked = work.acked = events[-1].seq

    # Messages.

    async def _tell(self, client: Client, dialogue: Dialogue) -> None:
        went = None
        while True:
            try:
                out = dialogue.send(went)  # type: ignore[arg-type]
            except StopIteration:
                return
            if out.kind is not Kind.BIRTH:
                self._stop_where_asked()
            went = await self._send(client, out)

    def _stop_where_asked(self) -> None:
        if self._asked and asyncio.get_running_loop().time() >= self._rests_until:
            raise _AskedForBirths

    async def _send(self, client: Client, out: Out) -> bool:
        """False: a birth that is longer than the broker takes; too much data goes in parts."""
        topic, most = self._topic(out.verb, out.device), room(client)
        seq = 0 if out.verb == "NBIRTH" else (self._seq + 1) % NUMBERS
        payload = encode(
            out.metrics,
            self._context.now(),
            seq=seq,
            birth=out.kind is Kind.BIRTH,
            typed=self._typed,
        )
        if most is not None and len(payload) > most:
            return await self._send_parts(client, out, topic)
        await client.publish(topic, payload, qos=0, retain=False, timeout=self._ack_s)
        self._seq = seq
        self._born = self._born or out.verb == "NBIRTH"
        await asyncio.sleep(0)  # a socket with room takes it at once, and a thousand more
        return True

    async def _send_parts(self, client: Client, out: Out, topic: str) -> bool:
        if out.kind is Kind.DATA and len(out.metrics) > 1:
            half = len(out.metrics) // 2
            for metrics in (out.metrics[:half], out.metrics[half:]):
                await self._send(client, Out(kind=out.kind, device=out.device, metrics=metrics))
            return True
        if out.verb == "NBIRTH":
            raise aiomqtt.MqttError(f"{topic} is longer than it takes")
        self._once("too long for the broker", topic)
        return out.kind is Kind.DATA

    async def _goodbye(self, client: Client, bd_seq: int) -> None:
        """The first message of a session is its birth, so that one without says nothing."""
        if not self._born:
            return
        with suppress(aiomqtt.MqttError, TimeoutError):
            async with asyncio.timeout(limits.MQTT_GOODBYE_S):
                await client.publish(self._topic("NDEATH"), self._death(bd_seq), qos=1)

    def _once(self, says: str, topic: str) -> None:
        """Told once for each topic, not each time."""
        if topic not in self._told_of:
            log.warning(says, output=self.name, topic=topic)
        self._told_of.add(topic)

    def _death(self, bd_seq: int) -> bytes:
        metric = Metric(name=BD_SEQ, type=DataType.INT64, value=bd_seq)
        return encode((metric,), self._context.now(), seq=None, birth=True)

    def _topic(self, verb: str, device: str = NODE) -> str:
        levels = (NAMESPACE, self._group, verb, self._node_id, device)
        return "/".join(levels if device else levels[:-1])
