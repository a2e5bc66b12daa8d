"""Whether the primary host is online, by its own word: the STATE messages of chapter 5.2 and 6.4.

The last word is the one with the newest timestamp, since the broker may tell an older one after it.
"""

from __future__ import annotations

import asyncio
import json
import math

import aiomqtt


class HostOffline(aiomqtt.MqttError):
    """The session ends, and a new one waits until the host is back."""


class PrimaryHost:
    """name None: none is waited for, and online stands. Its timestamps outlive sessions."""

    def __init__(self, name: str | None) -> None:
        self.name = name
        self.topic = None if name is None else f"spBv1.0/STATE/{name}"
        self.online = asyncio.Event()
        self._at = -math.inf

    def new_session(self) -> None:
        """Whether it is online at this broker is to be heard anew."""
        if self.name is None:
            self.online.set()
        else:
            self.online.clear()

    def heard(self, payload: bytes) -> bool:
        """False: it is no STATE message. Raises HostOffline where it was online until now."""
        try:
            said = json.loads(payload)
            online, at = said["online"], said["timestamp"]
        except (ValueError, TypeError, KeyError, RecursionError):
            return False
        if not isinstance(online, bool) or isinstance(at, bool) or not isinstance(at, int | float):
            return False
        if not at >= self._at:
            return True
        self._at = at
        if online:
            self.online.set()
        elif self.online.is_set():
            raise HostOffline(f"the primary host {self.name} is offline")
        return True
