"""The lines of a verification: their names, and those of the nameplate in their groups."""

from __future__ import annotations

from typing import Final

from poller.model.status import LIFECYCLE_FLAGS

FIRMWARE: Final = ("swRev",)
BOX: Final = ("hwRev", "orderCode", "serNum")
SETTINGS: Final = ("configRev", "paramRev", "settingsId")
GROUPS: Final = (FIRMWARE, BOX, SETTINGS)
HEALTH: Final = "health"
BEHAVIOUR: Final = "behaviour"
FLAGS: Final = "lifecycle_flags"
ANSWERING: Final = "answering"
SOAK: Final = "soak"
TEST: Final = "test"
NOT_READ: Final = frozenset({SOAK, TEST})
"""Lines that no reading answers, but time and a person."""
RAISED_BY_WORK: Final = frozenset(LIFECYCLE_FLAGS) - {"support_ending", "support_ended"}
"""The end of a maker's support is no matter of the work, and no work clears it."""


def last(name: str) -> str:
    """swRev of components.boot.swRev."""
    return name.rsplit(".", 1)[-1]
