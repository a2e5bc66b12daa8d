"""Relays that cost next to nothing: uvloop, one request a segment, replies made beforehand.

python -m tests.benchmarks.lean_server COUNT PORT DELAY_S AWAKE: answers until stdin ends. AWAKE: 1
where it never sleeps. To wake it costs who asks, and spares who leaves it no time to sleep.
"""

from __future__ import annotations

import asyncio
import struct
import sys
import time
from typing import Any

import uvloop

from simulator.net import allow_many_connections
from tests.benchmarks.relays import STATUS, STATUS_REGISTERS, UPTIME, address, image

BEGAN = time.monotonic()


class Relay(asyncio.Protocol):
    def __init__(self, number: int, delay_s: float) -> None:
        self._image = image(number)
        self._delay_s = delay_s
        first, last = 2 * STATUS, 2 * (STATUS + STATUS_REGISTERS)
        self._length = struct.pack(">HH", 0, 3 + last - first)
        self._before = bytes((3, last - first)) + self._image[first : 2 * UPTIME]
        self._after = self._image[2 * UPTIME + 4 : last]

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport: Any = transport

    def data_received(self, data: bytes) -> None:
        first, count = struct.unpack_from(">HH", data, 8)
        if first == STATUS and count == STATUS_REGISTERS:
            ticks = int(100 * (time.monotonic() - BEGAN))
            told = ticks.to_bytes(4, "big")
            reply = b"".join((data[:2], self._length, data[6:7], self._before, told, self._after))
        else:
            values = self._image[2 * first : 2 * (first + count)]
            head = struct.pack(">HHBBB", 0, 3 + len(values), data[6], 3, len(values))
            reply = data[:2] + head + values
        if self._delay_s:
            asyncio.get_running_loop().call_later(self._delay_s, self._transport.write, reply)
        else:
            self._transport.write(reply)


def stay_awake(loop: asyncio.AbstractEventLoop) -> None:
    loop.call_soon(stay_awake, loop)


async def serve(count: int, port: int, delay_s: float, awake: bool) -> None:
    loop = asyncio.get_running_loop()
    for number in range(count):
        await loop.create_server(
            lambda number=number: Relay(number, delay_s),  # type: ignore[misc]
            address(number),
            port,
            backlog=16,
        )
    if awake:
        stay_awake(loop)
    print("ready", flush=True)
    await asyncio.to_thread(sys.stdin.read)


if __name__ == "__main__":
    allow_many_connections()
    relays, at, delay, awake = sys.argv[1:]
    uvloop.run(serve(int(relays), int(at), float(delay), awake == "1"))
