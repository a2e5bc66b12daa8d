"""Where no service answers: why, how to mend it, and of when the answers of the journal are."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from poller.answers.selftest import NO_SERVICE
from poller.answers.words import moment
from poller.journal import Journal, JournalUnusable
from poller.journal.file import holder

LOOKED_AT: Final = 50  # events; what people enter without a service is a few
ELSEWHERE: Final = (
    "set BAYROLL_RUNTIME_DIR to the folder that it has there (/run/bayroll under systemd); if it "
    "has that already, restart the service"
)


def why(journal: Path) -> tuple[str, str]:
    """What is wrong, and how to mend it."""
    held = holder(journal)
    if held is None:
        return NO_SERVICE
    return f"no service answers here, yet {held.problem.what}", ELSEWHERE


def told_as_of(journal: Path) -> str:
    """For stderr, before what only the journal can tell."""
    says, mend = why(journal)
    at = _last(journal)
    since = "" if at is None else f" as of {at} (the journal's last entry)"
    return f"{says}: what follows is{since or ' from the journal'}\n    mend: {mend}"


def _last(journal: Path) -> str | None:
    """When a service wrote last; what a person entered since tells nothing of a relay."""
    try:
        with Journal.open(journal) as opened:
            newest = opened.history(limit=LOOKED_AT, newest_first=True)
    except JournalUnusable:
        return None
    return next((moment(one.event.at) for one in newest if one.event.by is None), None)
