"""The configuration in force, as the journal recorded it when it was loaded."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from poller.model.problems import Faulty
from poller.site import yaml_lines
from poller.site.alarm_catalogue import Catalogue
from poller.site.load import load_alarms
from poller.site.shipped_alarms import shipped

UNKNOWN: Final = "not known"
CLASSES: Final = ("high", "medium", "low", "none")


@dataclass(slots=True)
class Loaded:
    """files: name to text; emptied where there are too many to hold."""

    seq: int
    at: datetime
    sha256: str
    files: Mapping[str, str]
    asset_class: str = ""

    def __post_init__(self) -> None:
        """Kept when the texts no longer are."""
        self.asset_class = _asset_class(self.files)


def of_site(files: Mapping[str, str]) -> Mapping[str, Any]:
    """The keys of the site file; none where it can't be read any more."""
    name = next((name for name in files if "/" not in name), None)
    try:
        found = None if name is None else yaml_lines.read(files[name], name).value
    except Faulty:
        return {}
    return found if isinstance(found, dict) else {}


def keep_days(files: Mapping[str, str]) -> int | None:
    """How long events are kept; None: it is not known."""
    journal = of_site(files).get("journal", {})
    days = journal.get("keep_days", 1_095) if isinstance(journal, dict) else None
    return days if files and isinstance(days, int) else None


def catalogue(files: Mapping[str, str]) -> Catalogue | None:
    """Of alarms; None: it can't be read any more."""
    name = next((name for name in files if name.startswith("alarms/")), None)
    try:
        return shipped() if name is None else load_alarms(files[name], name)
    except Faulty:
        return None


def _asset_class(files: Mapping[str, str]) -> str:
    found = of_site(files).get("asset_class", "none") if files else UNKNOWN
    return found if found in CLASSES else UNKNOWN
