"""A process of its own for an output whose library must not touch the poller.

`python -m MODULE`, spoken to in JSON lines: ours to its stdin, its own from its stdout. What it
writes to stderr is logged. It ends when its stdin does, and with us however we end (parent.py). One
that dies, hangs, floods or writes garbage is ended and started again, later each time; none of it
holds up anything else here.
"""

from __future__ import annotations

import asyncio
import json
import os
import signal
import sys
from asyncio.subprocess import PIPE, Process
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any, Final

import structlog

import poller
from poller.model import limits
from poller.model.backoff import Backoff, Chance
from poller.model.text import shown

log = structlog.get_logger(__name__)

# what a process needs to run here; no secret ever stands in one of these
ENVIRONMENT: Final = ("HOME", "LANG", "LC_ALL", "LC_CTYPE", "PATH", "TMPDIR", "TZ", "TZDIR")
ROOT: Final = str(Path(poller.__file__).parent.parent)


class ChildEnded(Exception):
    """It is gone, or has to go. Its text says why, safe to show."""


async def keep(
    module: str,
    live: Callable[[Child], Awaitable[None]],
    *,
    name: str,
    random: Chance,
    told: Callable[[str], None] = lambda says: None,
) -> None:
    """Runs the module for ever: starts it, awaits live, ends it, and again after a wait.

    live: talks to one life of the process, and lets ChildEnded pass; what else it raises passes
    from here too, the process ended. name: of the output, for the log. told: is called with why a
    life ended.
    """
    loop = asyncio.get_running_loop()
    backoff = Backoff(random, first_s=limits.OUTPUT_RETRY_FIRST_S, cap_s=limits.OUTPUT_RETRY_CAP_S)
    while True:
        began_s = loop.time()
        try:
            async with started(module, name=name) as child:
                await live(child)
            why = "it was ended"
        except ChildEnded as reason:
            why = str(reason)
        if loop.time() - began_s >= limits.OUTPUT_RETRY_CAP_S:
            backoff.reset()  # it was well for some time
        log.warning("output process ended", output=name, reason=why)
        told(why)
        await asyncio.sleep(backoff.next_s())


@asynccontextmanager
async def started(module: str, *, name: str) -> AsyncIterator[Child]:
    """One life of the process. Raises ChildEnded where it can't be started."""
    environment = {key: os.environ[key] for key in ENVIRONMENT if key in os.environ}
    try:
        process = await asyncio.create_subprocess_exec(
            sys.executable,
            "-P",  # the folder that we happen to stand in holds no modules
            "-m",
            module,
            str(os.getpid()),
            stdin=PIPE,
            stdout=PIPE,
            stderr=PIPE,
            limit=limits.CHILD_LINE_MAX,
            env=environment | {"PYTHONPATH": ROOT},
            start_new_session=True,  # Ctrl-C is for us, and what it starts goes with it
        )
    except OSError as reason:
        raise ChildEnded(f"its process can't be started: {shown(str(reason))}") from reason
    child = Child(process, name)
    errors = asyncio.create_task(child.log_errors(), name=f"{name} errors")
    try:
        yield child
    finally:
        try:
            await child.end()
        finally:
            errors.cancel()
            await asyncio.wait((errors,))


class Child:
    """One life of a process. Whoever talks to it leaves it on ChildEnded."""

    def __init__(self, process: Process, name: str) -> None:
        assert process.stdin is not None
        assert process.stdout is not None
        assert process.stderr is not None
        self._process, self._name = process, name
        self._in, self._out, self._errors = process.stdin, process.stdout, process.stderr
        self._sending = asyncio.Lock()
        self._last_words = ""
        self._spoke = False

    @property
    def pid(self) -> int:
        return self._process.pid

    async def send(self, message: Mapping[str, Any]) -> None:
        """Waits for room in the pipe. Cancelled, nothing was sent."""
        line = json.dumps(message, separators=(",", ":"), allow_nan=False).encode() + b"\n"
        assert len(line) <= limits.CHILD_TOLD_MAX, "more than its process reads"
        async with self._sending:
            try:
                async with asyncio.timeout(limits.CHILD_SILENT_S):
                    await self._in.drain()
            except TimeoutError as reason:
                took = f"took nothing for {limits.CHILD_SILENT_S:g} s"
                raise ChildEnded(f"its process {took}") from reason
            except OSError as reason:
                raise await self._ended() from reason
            self._in.write(line)

    async def heard(self) -> Mapping[str, Any]:
        """The next message of it; however much it says, others have their turn in between."""
        while not (message := await self._next()):
            pass  # it goes round
        return message

    async def _next(self) -> Mapping[str, Any]:
        await asyncio.sleep(0)
        try:
            async with asyncio.timeout(limits.CHILD_SILENT_S):
                line = await self._out.readline()
        except TimeoutError as reason:
            said = f"said nothing for {limits.CHILD_SILENT_S:g} s"
            raise ChildEnded(f"its process {said}") from reason
        except ValueError as reason:
            said = f"said more than {limits.CHILD_LINE_MAX} octets in a line"
            raise ChildEnded(f"its process {said}") from reason
        if not line.endswith(b"\n"):
            raise await self._ended()
        self._spoke = True
        try:
            message = json.loads(line)
        except (ValueError, RecursionError):
            message = None
        if not isinstance(message, dict):
            said = shown(line.decode(errors="replace").rstrip(), limits.SENTENCE_TEXT_MAX)
            raise ChildEnded(f"its process said what is no message: {said}")
        return message

    async def log_errors(self) -> None:
        """Its stderr to the log: a bounded number of bounded lines a minute, the rest counted."""
        loop = asyncio.get_running_loop()
        until_s, lines, left_out = 0.0, 0, 0
        while octets := await self._errors.read(limits.CHILD_ERROR_OCTETS):
            for text in octets.decode(errors="replace").splitlines():
                if loop.time() >= until_s:
                    until_s, lines = loop.time() + 60, 0
                    if left_out:
                        log.warning("output process said more", output=self._name, lines=left_out)
                    left_out = 0
                lines += 1
                if lines > limits.CHILD_ERROR_LINES:
                    left_out += 1
                elif text.strip():
                    self._last_words = shown(text)
                    log.warning("output process says", output=self._name, line=self._last_words)
            await asyncio.sleep(0)

    async def end(self) -> None:
        """Asks it to end, and sees to it that it does.

        One that has not said a word is still starting, and has nothing to bring to an end.
        """
        self._in.close()
        # it may wait for room in its pipe, and some versions of wait() for the pipe's end
        rest = asyncio.create_task(self._leave_out())
        try:
            if self._spoke:
                await self._wait()
        finally:
            if self._process.returncode is None:
                with suppress(ProcessLookupError):
                    os.killpg(self._process.pid, signal.SIGKILL)  # and whatever it started
        await self._wait()
        rest.cancel()

    async def _wait(self) -> None:
        with suppress(TimeoutError):
            async with asyncio.timeout(limits.CHILD_GOODBYE_S):
                await self._process.wait()

    async def _leave_out(self) -> None:
        while await self._out.read(limits.CHILD_LINE_MAX):
            pass

    async def _ended(self) -> ChildEnded:
        """It closed its end: why."""
        await self._wait()
        status = self._process.returncode
        if status is None:
            how = "its process closed its end"
        elif status < 0:
            how = f"its process was ended by signal {-status}"
        else:
            how = f"its process ended with status {status}"
        return ChildEnded(f"{how}: {self._last_words}" if self._last_words else how)
