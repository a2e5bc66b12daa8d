"""Tells the service manager how the service stands, where one listens.

Source: sd_notify(3), sd_watchdog_enabled(3): lines of a datagram to the socket NOTIFY_SOCKET.
"""

from __future__ import annotations

import os
import socket
import time
from collections.abc import Mapping
from typing import Final

import structlog

from poller.model.text import shown

log = structlog.get_logger()
TELL_S: Final = 0.5  # a manager that is behind must not hold up polling; the next word comes soon
BEAT_S: Final = 10.0  # where nobody watches: how often progress is looked at all the same


class Systemd:
    """environment: as the manager set it. Without NOTIFY_SOCKET nothing is sent."""

    def __init__(self, environment: Mapping[str, str] = os.environ) -> None:
        self._address = environment.get("NOTIFY_SOCKET", "")
        self._heard = True
        self.beat_s = _beat_s(environment)

    def ready(self, says: str = "") -> None:
        """At the start, and after each reload."""
        self._tell("READY=1", *self._status(says))

    def reloading(self) -> None:
        self._tell("RELOADING=1", f"MONOTONIC_USEC={time.monotonic_ns() // 1000}")

    def stopping(self) -> None:
        self._tell("STOPPING=1")

    def alive(self, says: str = "") -> None:
        """What the manager waits for: left out, it ends the service and starts it again."""
        self._tell("WATCHDOG=1", *self._status(says))

    def stuck(self, says: str) -> None:
        """Stands in `systemctl status` until the manager has had enough."""
        self._tell(*self._status(says))

    def _status(self, says: str) -> tuple[str, ...]:
        return (f"STATUS={shown(says)}",) if says else ()

    def _tell(self, *lines: str) -> None:
        if self._address[:1] not in ("/", "@"):  # none, or of a kind that is not on this machine
            return
        # an abstract socket's name begins with a zero (unix(7)), which @ stands for
        address = self._address.replace("@", "\0", 1) if self._address[0] == "@" else self._address
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sock:
                sock.settimeout(TELL_S)
                sock.connect(address)
                sock.sendall("\n".join(lines).encode())
        except OSError as reason:
            if self._heard:
                log.warning("service_manager_not_told", reason=str(reason))
            self._heard = False
        else:
            self._heard = True


def _beat_s(environment: Mapping[str, str]) -> float:
    """Half of what the manager waits, as sd_watchdog_enabled(3) advises."""
    given = environment.get("WATCHDOG_USEC", "")
    for_us = environment.get("WATCHDOG_PID") in (None, str(os.getpid()))
    if not (for_us and given.isdecimal() and int(given)):
        return BEAT_S
    return min(BEAT_S, int(given) / 2_000_000)
