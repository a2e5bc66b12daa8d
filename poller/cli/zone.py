"""The name of this machine's time zone, for times that people give without one."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

LINK: Final = Path("/etc/localtime")
FILE: Final = Path("/etc/timezone")
OTHERWISE: Final = "UTC"


def machine_zone(link: Path = LINK, file: Path = FILE) -> str:
    """An IANA name: of TZ, else where /etc/localtime points, else /etc/timezone, else UTC."""
    for name in (_variable(), _linked(link), _written(file)):
        if name and _known(name):
            return name
    return OTHERWISE


def _variable() -> str:
    return os.environ.get("TZ", "").removeprefix(":")


def _linked(link: Path) -> str:
    try:
        target = str(link.resolve())
    except (OSError, RuntimeError):  # a loop of links
        return ""
    # also posix/Europe/Berlin and right/Europe/Berlin, which are the same places
    name = target.partition("/zoneinfo/")[2]
    return name.removeprefix("posix/").removeprefix("right/")


def _written(file: Path) -> str:
    try:
        with file.open(encoding="ascii") as opened:
            return opened.readline(256).strip()
    except (OSError, UnicodeDecodeError):
        return ""


def _known(name: str) -> bool:
    try:
        ZoneInfo(name)
    except (LookupError, ValueError, OSError):
        return False
    return True
