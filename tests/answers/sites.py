"""The shipped site in memory, with an approved list and protection groups of its own."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

from poller.site.approved import Approved
from poller.site.settings import Site, SiteFile

RULE: Final[dict[str, Any]] = {
    "id": "tarn",
    "family": "Tarn line protection",
    "match": {"vendors": ["Tarn"]},
    "version_scheme": {"kind": "dotted"},
    "target": "V2.12.00",
    "approved": ["V2.11.00", "V2.12.00"],
    "steps": [
        {
            "from": "V2.11.00",
            "to": "V2.12.00",
            "direction": "update",
            "settings_survive": False,
            "can_be_undone": True,
            "minutes": 40,
            "retry_allowed": True,
            "memory_kb": 900,
        }
    ],
    "procedure": {
        "lifecycle_warning": "Hold the enter key for five seconds.",
        "free_memory": "Delete the oldest disturbance records.",
        "test": "Inject every stage that is in use, to the trip.",
        "failed": "Load the package again from the service port.",
    },
}
GROUPS: Final[dict[str, Any]] = {
    "q07-line": {"kind": "redundant", "members": ["q07-main1", "q07-main2"]},
    "busbar": {"kind": "shared_zone", "members": ["q07-main1", "q10-main1"]},
}


def site(rule: dict[str, Any] | None = RULE, groups: dict[str, Any] | None = None) -> Site:
    """rule: the only one of the approved list; None: the site names no list."""
    relays = [
        {"id": name, "bay": name, "function": "main", "host": f"127.1.0.{at}", "maps": ["any"]}
        for at, name in enumerate(("q07-main1", "q07-main2", "q10-main1"), start=1)
    ]
    text: dict[str, Any] = {"format": 1, "site": "hollin", "name": "Hollin 132 kV"}
    text |= {"relays": relays, "protection_groups": GROUPS if groups is None else groups}
    made = Site(file=SiteFile.model_validate(text), maps={}, texts={}, sha256="0" * 64)
    if rule is None:
        return made
    return replace(made, approved=Approved.model_validate({"format": 1, "rules": [rule]}))
