"""Evidence for the page, made by a process of its own: polling does not wait for a report."""

from __future__ import annotations

import asyncio
import contextlib
import os
import sys
import tempfile
from asyncio.subprocess import DEVNULL, PIPE, Process
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Final

from poller.answers.evidence.bundle import zipped
from poller.cli.common import Exit
from poller.model import limits
from poller.model.refusal import Refusal
from poller.model.text import shown
from poller.web.behind import Busy

BEHIND_ALL: Final = 19  # of its priority


@dataclass(slots=True)
class EvidenceApart:
    """journal: its file. One bundle at a time."""

    journal: Path
    _at_work: asyncio.Lock = field(default_factory=asyncio.Lock)

    async def make(self, first: datetime, last: datetime, hide_addresses: bool) -> bytes:
        """As `bayroll evidence make` would, as a zip. Raises Busy and Refusal."""
        if self._at_work.locked():
            raise Busy
        async with self._at_work:
            with tempfile.TemporaryDirectory(prefix="bayroll-evidence-") as folder:
                out = Path(folder) / "bundle"
                await self._run(
                    *("--from", first.isoformat(), "--to", last.isoformat(), "--zone", "UTC"),
                    *("--file", str(self.journal.absolute()), "--out", str(out)),
                    *(("--hide-addresses",) if hide_addresses else ()),
                )
                return await asyncio.to_thread(_archive, out)

    async def _run(self, *words: str) -> None:
        process = await asyncio.create_subprocess_exec(
            sys.executable,
            *("-P", "-m", "poller.cli.app", "evidence", "make", *words),
            stdin=DEVNULL,
            stdout=DEVNULL,
            stderr=PIPE,
            start_new_session=True,  # Ctrl-C is for us
        )
        try:
            with contextlib.suppress(ProcessLookupError):
                os.setpriority(os.PRIO_PROCESS, process.pid, BEHIND_ALL)
            async with asyncio.timeout(limits.EVIDENCE_MAKE_S):
                _, told = await process.communicate()
        except TimeoutError as reason:
            raise Refusal(
                "it took too long: give a shorter span, or use: bayroll evidence"
            ) from reason
        finally:
            await _ended(process)
        # a journal that is broken gives a report, which says so
        if process.returncode not in (Exit.DONE, Exit.FOUND):
            says = told.decode("utf-8", "replace").strip()
            raise Refusal(shown(" ".join(says.split()), limits.REASON_MAX) or "it was ended")


async def _ended(process: Process) -> None:
    if process.returncode is None:
        with contextlib.suppress(ProcessLookupError):
            process.kill()
        await process.wait()


def _archive(out: Path) -> bytes:
    files = (one for one in out.rglob("*") if one.is_file())
    return zipped({one.relative_to(out).as_posix(): one.read_bytes() for one in files})
