"""The computer that the poller runs on: room on its disk, and whether its clock is kept."""

from __future__ import annotations

import ctypes
import hashlib
import os
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Final

TIME_ERROR: Final = 5  # adjtimex(2): the clock is not kept by anything reliable
BOOT_ID: Final = Path("/proc/sys/kernel/random/boot_id")
BOOT_DIGITS: Final = 16
TIMEX_BYTES: Final = 512  # struct timex is 208 octets on 64 bit; the kernel writes no more


@dataclass(frozen=True, slots=True, kw_only=True)
class Machine:
    """disk_free: bytes that this user may still write beside the journal. boot: differs from one
    start of the computer to the next. None: not known."""

    disk_free: int | None = None
    clock_kept: bool | None = None
    boot: str | None = None


def look(journal: Path) -> Machine:
    return Machine(disk_free=_disk_free(journal), clock_kept=_clock_kept(), boot=_boot())


def _disk_free(journal: Path) -> int | None:
    try:
        found = os.statvfs(journal.parent)
    except OSError:
        return None
    return found.f_bavail * found.f_frsize


@cache
def _boot() -> str | None:
    """Source: random(4), boot_id. Shortened, so that it tells nothing else of the computer."""
    try:
        return hashlib.sha256(BOOT_ID.read_bytes()).hexdigest()[:BOOT_DIGITS]
    except OSError:
        return None


def _clock_kept() -> bool | None:
    """By what the kernel was told by a time service; asked only, nothing is set.

    Source: adjtimex(2): with modes 0 it reads, and its value is the state of the clock.
    """
    try:
        state = ctypes.CDLL(None).adjtimex(ctypes.create_string_buffer(TIMEX_BYTES))
    except (AttributeError, OSError):
        return None
    return None if state < 0 else bool(state != TIME_ERROR)
