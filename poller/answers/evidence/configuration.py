"""The configuration in force, as the journal recorded it when it was loaded."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Final

from poller.model.problems import Faulty
from poller.site import yaml_lines
from poller.site.alarm_catalogue import Catalogue
from poller.site.load import load_alarms
from poller.site.shipped_alarms import shipped

UNKNOWN: Final = "not known"
THREE_YEARS: Final = 1_095  # days; the usual audit cycle, and what holds where a site says nothing
CLASSES: Final = ("high", "medium", "low", "none")


@dataclass(slots=True)
class Loaded:
    """files: name to text; keys: of the site file, none where it can't be read any more. Both are
    emptied by forget(), where there are too many to hold; asset_class stays."""

    seq: int
    at: datetime
    sha256: str
    files: Mapping[str, str]
    keys: Mapping[str, Any] = field(init=False)
    asset_class: str = field(init=False)

    def __post_init__(self) -> None:
        self.keys = _keys(self.files)
        found = self.keys.get("asset_class", "none") if self.keys else UNKNOWN
        self.asset_class = found if found in CLASSES else UNKNOWN

    def forget(self) -> None:
        self.files = self.keys = {}

    @property
    def keep_days(self) -> int | None:
        """How long events are kept; None: it is not known."""
        journal = self.keys.get("journal", {})
        days = journal.get("keep_days", THREE_YEARS) if isinstance(journal, dict) else None
        return days if self.keys and isinstance(days, int) else None


def _keys(files: Mapping[str, str]) -> Mapping[str, Any]:
    name = next((name for name in files if "/" not in name), None)
    try:
        found = None if name is None else yaml_lines.read(files[name], name).value
    except Faulty:
        return {}
    return found if isinstance(found, dict) else {}


def catalogue(files: Mapping[str, str]) -> Catalogue | None:
    """Of alarms; None: it can't be read any more."""
    name = next((name for name in files if name.startswith("alarms/")), None)
    try:
        return shipped() if name is None else load_alarms(files[name], name)
    except Faulty:
        return None
