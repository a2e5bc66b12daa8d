"""A client of OPC UA that prints which relay's alarm it heard of, and when (monotonic)."""

from __future__ import annotations

import asyncio
import sys
import time
from typing import Any, Final

from asyncua import Client, ua

from tests.publishing.brokers import HOST

OFTEN_MS: Final = 100  # as often as the server takes
SESSION_MS: Final = 60_000


class Watcher:
    def event_notification(self, event: Any) -> None:
        print(str(event.SourceNode.Identifier).rpartition("/")[2], time.monotonic(), flush=True)


async def main(port: int) -> None:
    client = Client(f"opc.tcp://{HOST}:{port}/")
    client.session_timeout = SESSION_MS
    async with client:
        subscription = await client.create_subscription(OFTEN_MS, Watcher())
        await subscription.subscribe_alarms_and_conditions(
            ua.ObjectIds.Server, ua.ObjectIds.AlarmConditionType
        )
        print("subscribed", flush=True)
        await asyncio.Event().wait()


if __name__ == "__main__":
    asyncio.run(main(int(sys.argv[1])))
