"""What a running service answers over its control socket."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any, Final, TypeAlias

from poller.decide import Refusal
from poller.edges import commands
from poller.edges.control import Ask
from poller.model.canonical import plain
from poller.reading import frames
from poller.reading.exchange import Garbled, NoReply, Refused, Reply
from poller.service import Service

Op: TypeAlias = Callable[["Desk", Ask], Awaitable[Any]]
RECORDED_S: Final = 10.0  # how long a person waits for what takes milliseconds, as a rule


class Desk:
    """One for each service. reread: reads the site file again, as SIGHUP does."""

    def __init__(
        self,
        service: Service,
        *,
        site_file: Path,
        journal: Path,
        reread: Callable[[], Awaitable[None]],
    ) -> None:
        self.service = service
        self.site_file = site_file
        self.journal = journal
        self.reread = reread

    async def handle(self, ask: Ask) -> Any:
        """The result of one request. Raises Refusal with the reason."""
        if ask.op in commands.COMMANDS:
            return await self._command(ask)
        if ask.op not in OPS:
            raise Refusal(
                f"{ask.op}: no such request; this is Bayroll {self.service.ports.version}"
            )
        return await OPS[ask.op](self, ask)

    async def _command(self, ask: Ask) -> dict[str, Any]:
        args = dict(ask.args)
        by = commands.person(args.pop("who", None), ask.peer)
        given = commands.command(ask.op, args)
        try:
            async with asyncio.timeout(RECORDED_S):
                return await self.service.command(given, number=ask.id, by=by)
        except TimeoutError:
            why = self.service.not_written
            raise Refusal(
                f"it was taken, and is not recorded after {RECORDED_S:g} s"
                + (f": the journal can't be written now: {why}" if why else "")
                + "\n    mend: see to the journal's disk; it is recorded once it can be, and lost "
                "if the service ends before: see bayroll status, and bayroll history"
            ) from None

    async def hello(self, ask: Ask) -> dict[str, str]:
        return {
            "version": self.service.ports.version,
            "site_file": str(self.site_file),
            "journal": str(self.journal),
        }

    async def status(self, ask: Ask) -> dict[str, Any]:
        return self.service.status()

    async def live(self, ask: Ask) -> dict[str, Any]:
        return {name: plain(reading) for name, reading in self.service.live().items()}

    async def polls(self, ask: Ask) -> bool:
        """Whether this service holds the connection to that host and port."""
        return self.service.fleet.endpoint(str(ask.args["host"]), int(ask.args["port"])) is not None

    async def ask_relay(self, ask: Ask) -> dict[str, Any]:
        """One read request through the connection that polls. Only reads can be built."""
        args = ask.args
        endpoint = self.service.fleet.endpoint(str(args["host"]), int(args["port"]))
        if endpoint is None:
            raise Refusal(f"{args['host']}:{args['port']}: this service polls no such address")
        if args.get("table") is not None:
            request = frames.read(args["table"], int(args["address"]), int(args["count"]))
        else:
            request = frames.identify(int(args["read_code"]), int(args["object_id"]))
        timeout_s = min(60.0, float(args["timeout_s"]))
        unit = int(args["unit"])
        if unit not in range(256):  # the connection that polls would end over it
            raise Refusal(f"unit {unit} is not 0 to 255")
        match await endpoint.errand(unit, request, timeout_s):
            case Reply(pdu=pdu):
                return {"reply": pdu.hex()}
            case Refused(code=code):
                return {"refused": code}
            case NoReply(reason=reason):
                return {"no_reply": reason}
            case Garbled(reason=reason):
                return {"garbled": reason}

    async def reload(self, ask: Ask) -> str:
        await self.reread()
        return "read again"


OPS: Final[dict[str, Op]] = {
    "hello": Desk.hello,
    "status": Desk.status,
    "live": Desk.live,
    "polls": Desk.polls,
    "ask_relay": Desk.ask_relay,
    "reload": Desk.reload,
}
