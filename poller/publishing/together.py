"""Works of an output that stand and fall together."""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine
from typing import Any


async def first_to_fail(*works: Coroutine[Any, Any, None]) -> None:
    """Runs all until one fails, and raises what it raised.

    Not a TaskGroup: that of 3.11 forgets a cancellation that comes together with a failure, and
    an output that can't be cancelled holds up the end of the service.
    """
    tasks = [asyncio.ensure_future(work) for work in works]
    try:
        await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.wait(tasks)
        # looked at even where we are cancelled, else the loop complains of them
        reasons = [task.exception() for task in tasks if not task.cancelled()]
    for reason in reasons:
        if reason is not None:
            raise reason
