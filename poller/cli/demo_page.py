"""Who signs in to the demo's page: a person for each role, with passwords of this run alone."""

from __future__ import annotations

import asyncio
import secrets
import socket
import uuid
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from poller.edges.commands import command
from poller.model.users import Role, says
from poller.service import Service
from poller.web.passwords import Passwords, beside

WHO: Final = "demo"
HOST: Final = "127.0.0.1"
NAMES: Final = dict(zip(Role, ("vera", "otto", "enid", "sven", "anna"), strict=True))


class DemoPage:
    """On a port that was free, so that two demos do not meet."""

    def __init__(self) -> None:
        with socket.socket() as sock:
            sock.bind((HOST, 0))
            self.port = sock.getsockname()[1]
        self._passwords = {role: secrets.token_urlsafe(9) for role in Role}

    @property
    def settings(self) -> dict[str, Any]:
        """As the site file has them."""
        return {"host": HOST, "port": self.port}

    async def let_in(self, service: Service, journal: Path) -> None:
        """Adds each, the way that every command goes."""
        await service.started.wait()
        kept = Passwords(beside(journal))
        for role, password in self._passwords.items():
            args = {"user": NAMES[role], "roles": [role]}
            given = command("user_add", args)
            await service.command(given, number=str(uuid.uuid4()), by=WHO)
            await asyncio.to_thread(kept.set, NAMES[role], password)

    def lines(self) -> Iterator[str]:
        yield f"The page: http://{HOST}:{self.port}/  Sign in as one of:"
        for role, password in self._passwords.items():
            yield f"  {NAMES[role]}  {password}  {says(role)}"
