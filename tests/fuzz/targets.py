"""Every target: octets in, nothing out, and an exception only where there is a defect."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from tests.fuzz import on_broker, on_files, on_journal, on_lists, on_planning, on_talk, on_wire

TARGETS: Final[dict[str, Callable[[bytes], None]]] = {
    **on_wire.TARGETS,
    **on_files.TARGETS,
    **on_lists.TARGETS,
    **on_planning.TARGETS,
    **on_broker.TARGETS,
    **on_talk.TARGETS,
    **on_journal.TARGETS,
}
SLOW: Final = (
    "map_file",
    "site_file",
    "approved_file",
    "alarms_file",
    "families_file",
    "outages_file",
    "broker",
    "journal_file",
)  # files, sockets, a thread
