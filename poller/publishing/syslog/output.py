"""Syslog: security events and what people did, each as a message of RFC 5424, over TLS or UDP.

Over TLS the cursor passes a lot of messages when the receiver has answered our goodbye, which it
reads after them; each lot has a connection of its own, the next one stands ready meanwhile. If that
answer does not come, the lot is sent again under the same ids. It does not say that the receiver
has written anything down. Over UDP the cursor passes what the kernel took and nobody refused at
once; more can be lost there than is told.
"""

from __future__ import annotations

import asyncio
import os
import socket
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from random import Random

import structlog

from poller.journal.ports import Head
from poller.model import limits
from poller.model.backoff import Backoff
from poller.model.events import Recorded
from poller.model.standing import State
from poller.model.text import shown
from poller.publishing.ports import Context, OutputStatus
from poller.publishing.syslog.line import Line, TlsLine, UdpLine
from poller.publishing.syslog.message import Sender, number_after, severity
from poller.publishing.syslog.settings import NAME, TlsSettings, UdpSettings
from poller.publishing.tls import of_ours, tls_context, usable

log = structlog.get_logger(__name__)


def open_output(context: Context) -> SyslogOutput:
    """Raises pydantic.ValidationError or Faulty; connects to nothing yet.

    context.extra: folder: where relative names of certificates begin; random: for the jitter.
    """
    given = dict(context.settings)
    if given.get("transport") == "udp":
        return SyslogOutput(context, UdpSettings.model_validate(given))
    settings = TlsSettings.model_validate(given)
    output = SyslogOutput(context, settings)
    usable(lambda: tls_context(settings.tls, output.folder), at=f"outputs.{context.name}.tls")
    return output


@dataclass(slots=True)
class _Work:
    """What deliver() was given. told: those of the events that are told. last: seq of the last."""

    told: Sequence[Recorded]
    last: int
    state: State
    done: asyncio.Future[int]

    def taken(self, count: int) -> None:
        """The first so many were."""
        if not self.done.done():
            self.done.set_result(self.last if count == len(self.told) else self.told[count - 1].seq)


class SyslogOutput:
    """ports.Output. deliver() hands work to the lines that run() opens, one after the other."""

    def __init__(self, context: Context, settings: UdpSettings | TlsSettings) -> None:
        self.name = context.name
        self.folder = Path(context.extra.get("folder", "."))
        self._context = context
        self._settings = settings
        self._sender = Sender(
            site=context.site.file.site,
            version=version("bayroll"),
            hostname=settings.hostname or _own_name(),
            procid=str(os.getpid()),
            facility=settings.facility,
            enterprise=settings.enterprise,
            octets_max=settings.octets_max,
            clock_kept=context.clock_kept,
        )
        self._backoff = Backoff(
            context.extra.get("random") or Random(),  # noqa: S311 - jitter, no secret
            first_s=min(limits.OUTPUT_RETRY_FIRST_S, settings.retry_cap_s),
            cap_s=settings.retry_cap_s,
        )
        self._number = 0  # the last sequenceId
        self._most = limits.OUTPUT_BATCH_MAX  # of one lot; fewer for who can't take so many
        self._work: _Work | None = None
        self._wake = asyncio.Event()
        self._seq = 0  # of the durable state
        self._head_seq = 0
        self._head_at_s: float | None = None  # when the next head is due; None: none was told yet
        self._connected = False
        self._says = "not connected yet"

    def status(self) -> OutputStatus:
        """Over UDP connected says only that nothing was refused."""
        return OutputStatus(connected=self._connected, says=self._says)

    async def deliver(self, events: Sequence[Recorded], state: State) -> int:
        """As ports.Output; what is not told is passed at once, where nothing before it waits."""
        self._seq = state.seq
        self._wake.set()  # a head may be due
        if not events:
            return self._context.reader.cursor(self.name)
        told = [one for one in events if severity(one.event) is not None]
        last = events[-1].seq
        if not told:
            return last
        work = _Work(told, last, state, asyncio.get_running_loop().create_future())
        self._work = work
        try:
            return await work.done
        finally:
            if self._work is work:
                self._work = None

    async def run(self) -> None:
        while True:
            try:
                line = await self._open()
                try:
                    if await self._wanted_before_it_ends(line):
                        await self._say(line)
                        continue
                finally:
                    line.close()
            except OSError as reason:
                self._away(reason)
                await asyncio.sleep(self._backoff.next_s())
            else:
                # it ended an idle line, as it may, and is called again at once only if need be
                with suppress(TimeoutError):
                    async with asyncio.timeout(self._backoff.next_s()):
                        await self._wanted()

    # One line.

    async def _open(self) -> Line:
        to = self._settings
        try:
            async with asyncio.timeout(limits.SYSLOG_CONNECT_S):
                if isinstance(to, UdpSettings):
                    return await UdpLine.open(to.host, to.port)
                return await TlsLine.open(to.host, to.port, tls_context(to.tls, self.folder))
        except TimeoutError as reason:
            raise TimeoutError(f"no answer within {limits.SYSLOG_CONNECT_S:g} s") from reason

    async def _wanted_before_it_ends(self, line: Line) -> bool:
        """Waits for something to tell. False: the receiver ended the line while there was nothing.

        Raises OSError where it ended otherwise.
        """
        if not self._waiting() and not self._connected:
            self._arrived()
        tasks = [asyncio.ensure_future(one) for one in (line.ended(), self._wanted())]
        try:
            await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.wait(tasks)
            reason = None if tasks[0].cancelled() else tasks[0].exception()
        if reason is not None:
            raise reason
        if tasks[0].cancelled():
            return True
        if self._waiting():
            raise ConnectionError("it ended the connection")
        return False

    async def _wanted(self) -> None:
        while not self._waiting():
            self._wake.clear()
            with suppress(TimeoutError):
                async with asyncio.timeout_at(self._head_at_s):
                    await self._wake.wait()

    async def _say(self, line: Line) -> None:
        work = self._work
        events = work.told[: self._most] if work is not None else ()
        head = self._context.reader.head() if self._head_due() else None
        try:
            async with asyncio.timeout(limits.SYSLOG_TAKE_S):
                await line.send(self._messages(events, work, head))
        except OSError as reason:
            self._most = max(1, self._most // 2)
            if isinstance(reason, TimeoutError):
                raise TimeoutError(
                    f"it did not take in all within {limits.SYSLOG_TAKE_S:g} s"
                ) from reason
            raise
        self._most = min(limits.OUTPUT_BATCH_MAX, self._most * 2)
        self._backoff.reset()
        self._arrived()
        if work is not None:
            work.taken(len(events))
            if self._work is work:
                self._work = None
        if head is not None:
            self._head_seq = head.seq
            self._head_at_s = asyncio.get_running_loop().time() + limits.SYSLOG_HEAD_S

    def _messages(
        self, events: Sequence[Recorded], work: _Work | None, head: Head | None
    ) -> Iterator[bytes]:
        """Made one by one as they are sent, events first."""
        for recorded in events:
            assert work is not None
            self._number = number_after(self._number)
            yield self._sender.of_event(recorded, work.state, self._number)
        if head is not None:
            self._number = number_after(self._number)
            yield self._sender.of_head(head, self._context.now(), self._number)

    # Small things.

    def _waiting(self) -> bool:
        return self._work is not None or self._head_due()

    def _head_due(self) -> bool:
        if self._seq == 0:
            return False
        if self._head_at_s is None or self._seq - self._head_seq >= limits.SYSLOG_HEAD_EVENTS:
            return True
        return asyncio.get_running_loop().time() >= self._head_at_s

    def _arrived(self) -> None:
        to = self._settings
        place = f"{to.host}:{to.port}"
        if isinstance(to, UdpSettings):
            says = f"sending to {place}; UDP acknowledges nothing"
        else:
            says = f"connected to {place}"
        if not self._connected:
            log.info("output connected", output=self.name, says=says)
        self._connected, self._says = True, says

    def _away(self, reason: OSError) -> None:
        """Told once for each reason, not at each try."""
        why = "nobody listens there" if isinstance(reason, ConnectionRefusedError) else str(reason)
        says = shown(f"{self._settings.host}:{self._settings.port}: {why}{of_ours(reason)}")
        if says != self._says:
            log.warning("output away", output=self.name, reason=says)
        self._connected, self._says = False, says


def _own_name() -> str:
    """RFC 5424, 6.2.4; - where this computer has no name that may stand there."""
    name = socket.gethostname()
    return name if NAME.fullmatch(name) else "-"
