"""Acknowledgements that come over the broker, where the site says that they do.

Only what names a person and says something is taken; each is answered, also with why it was
refused. Who may send them at all is the broker's business: its access list keeps the topic.
"""

from __future__ import annotations

import asyncio
import re
import uuid
from collections.abc import Awaitable, Callable
from typing import Any, Final

import structlog
from pydantic import ValidationError

from poller.alarms.requests import AckAlarm
from poller.model import limits
from poller.model.canonical import adapter
from poller.model.refusal import Refusal
from poller.model.text import shown
from poller.publishing.messages import AckAnswerMessage, AckMessage
from poller.publishing.mqtt.client import Client
from poller.publishing.mqtt.send import Sent
from poller.publishing.mqtt.topics import ACKNOWLEDGE, ACKNOWLEDGED, ALARM
from poller.publishing.ports import Context
from poller.publishing.projections import body_of
from poller.site.shipped_alarms import catalogue_of

log = structlog.get_logger(__name__)

OVER: Final = "mqtt"
SUBSCRIPTION_REFUSED: Final = 0x80  # MQTT 5.0, 3.9.3, and 3.1.1, 3.9.3: from there on
REQUEST: Final = re.compile(r"[A-Za-z0-9._-]{1,48}")  # with what stands before it, a command's id


class Acks:
    """seen: topic to the id of the message that stands there now; None: none does."""

    def __init__(self, context: Context, seen: Callable[[str], str | None]) -> None:
        self._context = context
        self._seen = seen
        self._site = context.site.file.site
        self._heard: asyncio.Queue[tuple[str, bytes]] = asyncio.Queue(limits.MQTT_HEARD_MAX)
        self.allowed = catalogue_of(context.site).acknowledged_over == OVER
        self.filter = ACKNOWLEDGE.of(self._site, "+")
        before, after = self.filter.split("+")
        self._topic = re.compile(f"{re.escape(before)}([^/]+){re.escape(after)}")

    async def listen(self, client: Client) -> None:
        """Raises MqttError when the connection is gone; what is not expected is dropped."""
        if self.allowed:
            await self._subscribe(client)
        async for message in client.messages:
            topic = self._topic.fullmatch(str(message.topic))
            # one that is retained was meant for another day
            if not self.allowed or topic is None or message.retain:
                continue
            if not isinstance(message.payload, bytes) or self._heard.full():
                log.warning("acknowledgement dropped", output=self._context.name)
                continue
            self._heard.put_nowait((topic[1], message.payload))

    async def _subscribe(self, client: Client) -> None:
        granted: Any = await client.subscribe(self.filter, qos=1)
        if any(int(getattr(code, "value", code)) >= SUBSCRIPTION_REFUSED for code in granted):
            log.warning(
                "the broker lets nobody acknowledge", output=self._context.name, topic=self.filter
            )

    async def answer(self, send: Callable[[Sent], Awaitable[None]]) -> None:
        """One after the other, for as long as the connection stands."""
        while True:
            alarm, payload = await self._heard.get()
            request, says = await self._taken(alarm, payload)
            message = AckAnswerMessage(
                id="",
                site=self._site,
                alarm=alarm,
                request=request,
                accepted=says is None,
                says=says or "acknowledged",
                at=self._context.now(),
            )
            topic = ACKNOWLEDGED.of(self._site, alarm)
            await send(Sent(topic=topic, body=body_of(message), retain=False))

    async def _taken(self, alarm: str, payload: bytes) -> tuple[str | None, str | None]:
        """The id of the request, and why it was refused; None: it was not."""
        try:
            given = adapter(AckMessage).validate_json(payload)
        except ValidationError as reason:
            first = reason.errors(include_url=False, include_input=False)[0]
            place = ".".join(str(part) for part in first["loc"])
            mend = 'send {"user": "...", "comment": "..."}'
            says = ": ".join(one for one in (place, first["msg"]) if one)
            return None, shown(f"{says}; {mend}", limits.REASON_MAX)
        if given.request is not None and not REQUEST.fullmatch(given.request):
            return None, "request: 1 to 48 letters, digits, dots, hyphens and underscores"
        try:
            await self._acknowledge(alarm, given)
        except Refusal as reason:
            return given.request, str(reason)
        return given.request, None

    async def _acknowledge(self, alarm: str, given: AckMessage) -> None:
        _needed("user", given.user, limits.PERSON_MAX)
        _needed("comment", given.comment, limits.REASON_MAX)
        stands = self._seen(ALARM.of(self._site, alarm))
        if given.seen is not None and given.seen != stands:
            raise Refusal(f"{alarm}: it is not as you saw it any more; look at it again")
        await self._context.acknowledge(
            AckAlarm(alarm=alarm, why=shown(given.comment, limits.REASON_MAX), over=OVER),
            f"{OVER}-{given.request or uuid.uuid4()}",
            f"{shown(given.user, limits.PERSON_MAX)} (over {OVER})",
        )


def _needed(name: str, text: str, most: int) -> None:
    if not text.strip():
        raise Refusal(f"{name}: it is needed, the journal keeps it")
    if len(text) > most:
        raise Refusal(f"{name}: {len(text)} characters; at most {most} are kept")
