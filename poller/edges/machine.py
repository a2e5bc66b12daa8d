"""The computer that the poller runs on: room on its disk, and whether its clock is kept."""

from __future__ import annotations

import ctypes
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Final

TIME_ERROR: Final = 5  # adjtimex(2): the clock is not kept by anything reliable
TIMEX_BYTES: Final = 512  # struct timex is 208 octets on 64 bit; the kernel writes no more


@dataclass(frozen=True, slots=True, kw_only=True)
class Machine:
    """disk_free: bytes that this user may still write beside the journal. None: not known."""

    disk_free: int | None = None
    clock_kept: bool | None = None


def look(journal: Path) -> Machine:
    return Machine(disk_free=_disk_free(journal), clock_kept=_clock_kept())


def _disk_free(journal: Path) -> int | None:
    try:
        found = os.statvfs(journal.parent)
    except OSError:
        return None
    return found.f_bavail * found.f_frsize


def _clock_kept() -> bool | None:
    """By what the kernel was told by a time service; asked only, nothing is set.

    Source: adjtimex(2): with modes 0 it reads, and its value is the state of the clock.
    """
    try:
        state = ctypes.CDLL(None).adjtimex(ctypes.create_string_buffer(TIMEX_BYTES))
    except (AttributeError, OSError):
        return None
    return None if state < 0 else bool(state != TIME_ERROR)
