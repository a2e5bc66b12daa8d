"""Live control of a running simulator: a Unix socket, JSON lines, one answer to each request."""

from __future__ import annotations

import asyncio
import json
import os
import stat
import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Final, TypeAlias

from poller.model import limits
from poller.model.nameplate import ATTRIBUTES
from poller.model.status import Behaviour, Health
from simulator.acts import Act, Away, Back, Behave, Flag, Impossible, Misbehave, Show, Write
from simulator.misbehaviour import KINDS, Plan
from simulator.serve import Fleet

PREFIX: Final = "bayroll-simulator-"
Wish: TypeAlias = Mapping[str, Any]


def folder() -> Path:
    return Path(os.environ.get("XDG_RUNTIME_DIR") or tempfile.gettempdir())


def default_path() -> Path:
    """Of this process."""
    return folder() / f"{PREFIX}{os.getpid()}.sock"


def running() -> list[Path]:
    """Control sockets of simulators of this user; some may be left over from dead ones."""
    return sorted(
        path
        for path in folder().glob(f"{PREFIX}*.sock")
        if stat.S_ISSOCK(path.lstat().st_mode) and path.lstat().st_uid == os.getuid()
    )


def act(wish: Wish) -> Act:
    """What a wish means. Raises Impossible."""
    match dict(wish):
        case {"do": "raise" | "clear" as verb, "flag": str(flag)}:
            return Flag(flag=flag, standing=verb == "raise")
        case {"do": "away"}:
            return Away()
        case {"do": "back"}:
            return Back()
        case {"do": "set", "attribute": str(attribute), "value": str() | None as value}:
            return _written(attribute, value)
        case {"do": "misbehave", "kind": str(kind)}:
            return Misbehave(plan=_plan(kind, wish))
        case {"do": "behave"}:
            return Behave(kind=wish.get("kind"))
    raise Impossible("scenario-value", f"no such wish: {json.dumps(dict(wish))}")


def _written(attribute: str, value: str | None) -> Act:
    if attribute in ("health", "behaviour"):
        kind: type[Health] | type[Behaviour] = Health if attribute == "health" else Behaviour
        names = [one.name.lower() for one in kind]
        if value not in names:
            raise Impossible("scenario-value", f"{attribute} is one of {', '.join(names)}")
        code = kind[value.upper()]
        return Show(health=code) if isinstance(code, Health) else Show(behaviour=code)
    if attribute == "map":
        return Write(map=value)
    if attribute in ATTRIBUTES or attribute.startswith("components."):
        return Write(values={attribute: value})
    known = ", ".join((*ATTRIBUTES, "components.NAME.swRev", "health", "behaviour", "map"))
    raise Impossible("scenario-attribute-unknown", f"no {attribute}; there are {known}")


def _plan(kind: str, wish: Wish) -> Plan:
    if kind not in KINDS:
        raise Impossible(
            "scenario-misbehaviour-unknown",
            f"it can't misbehave that way; the ways are {', '.join(KINDS)}",
        )
    given: dict[str, float] = dict(wish.get("parameters") or {})
    for name, value in given.items():
        bounds = KINDS[kind].parameters.get(name)
        if bounds is None:
            known = ", ".join(KINDS[kind].parameters) or "none"
            raise Impossible("scenario-parameter-unknown", f"no {name}; there are: {known}")
        if not bounds.least <= value <= bounds.most:
            says = f"{name} is {bounds.least:g} to {bounds.most:g}: {bounds.says}"
            raise Impossible("scenario-parameter-bound", says)
    chance = float(wish.get("chance", 1.0))
    return Plan(kind=kind, chance=chance, parameters=given)


class Control:
    """Serves the socket from `async with` on. stop: called when somebody wishes the end."""

    def __init__(self, fleet: Fleet, path: Path, stop: Callable[[], None]) -> None:
        self.path = path
        self._fleet = fleet
        self._stop = stop
        self._server: asyncio.Server | None = None
        self._later: set[asyncio.Task[None]] = set()

    async def __aenter__(self) -> Control:
        """Raises OSError where the path can't be had."""
        if self.path.is_socket():
            self.path.unlink()  # left over: a live one would have another process in its name
        before = os.umask(0o177)  # 0600 from its first moment on
        try:
            self._server = await asyncio.start_unix_server(
                self._serve, self.path, limit=limits.CONTROL_LINE_MAX
            )
        finally:
            os.umask(before)
        return self

    async def __aexit__(self, *reason: object) -> None:
        if self._server is not None:
            self._server.close()
        for task in self._later:
            task.cancel()
        self.path.unlink(missing_ok=True)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while line := await reader.readline():
                answer = await self._answer(line)
                writer.write(json.dumps(answer).encode() + b"\n")
                await writer.drain()
        except (ConnectionError, ValueError):  # gone, or a line without an end
            pass
        finally:
            writer.close()

    async def _answer(self, line: bytes) -> dict[str, Any]:
        try:
            wish = json.loads(line)
        except ValueError:
            return {"ok": False, "says": "that is no JSON"}
        if not isinstance(wish, dict):
            return {"ok": False, "says": "a wish is a JSON object"}
        if wish.get("do") == "stop":
            asyncio.get_running_loop().call_soon(self._stop)
            return {"ok": True, "says": "the simulator ends"}
        if wish.get("do") == "list":
            return {"ok": True, "relays": [self._row(name) for name in self._fleet.bench.posts]}
        return await self._act(wish)

    async def _act(self, wish: Wish) -> dict[str, Any]:
        name = str(wish.get("relay"))
        if name not in self._fleet.bench.posts:
            few = ", ".join(list(self._fleet.bench.posts)[:6])
            return {"ok": False, "says": f"no relay {name} here; there are {few} and so on"}
        try:
            one = act(wish)
            truths = await self._fleet.do(name, one)
            for_s = wish.get("for_s")
            if isinstance(one, Misbehave) and for_s is not None:
                self._end_later(name, one.plan.kind, float(for_s))
        except (TypeError, ValueError) as why:  # Impossible and DoesNotFit among them
            return {"ok": False, "says": f"{name}: {why}"}
        return {"ok": True, "says": name, "truths": [truth.plain() for truth in truths]}

    def _end_later(self, name: str, kind: str, for_s: float) -> None:
        async def end() -> None:
            await asyncio.sleep(for_s)
            await self._fleet.do(name, Behave(kind=kind))

        task = asyncio.create_task(end())
        self._later.add(task)
        task.add_done_callback(self._later.discard)

    def _row(self, name: str) -> dict[str, Any]:
        post = self._fleet.post(name)
        facts = post.relay.facts()
        return {
            "relay": name,
            "address": str(self._fleet.addresses[name]),
            "map": post.relay.layout.map,
            "model": facts.get("model"),
            "swRev": facts.get("swRev"),
            "serNum": facts.get("serNum"),
            "flags": sorted(post.relay.condition.flags),
            "health": post.relay.condition.health.name.lower(),
            "behaviour": post.relay.condition.behaviour.name.lower(),
            "answers": post.away is None,
            "misbehaves": [one.plan.kind for one in post.spoiler.on],
        }
