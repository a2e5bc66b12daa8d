"""Rules of an invented approved list, made in a line."""

from __future__ import annotations

from typing import Any, Final

from poller.model.nameplate import Component, Nameplate
from poller.site.approved import Approved, Rule

LARCH: Final = Nameplate(
    vendor="Tarnwick Electric",
    model="LARCH-21",
    orderCode="L21-4C-2E-0",
    hwRev="C",
    swRev="5.1 SP2",
    components=(
        Component(name="boot", swRev="2.4"),
        Component(name="communication", hwRev="B", swRev="1.12"),
        Component(name="logic", hwRev="2"),
    ),
)


def rule(name: str = "larch", **changes: Any) -> Rule:
    """A rule for the firmware of any device, dotted: 2.1 is the target, 2.0 approved too."""
    plain = {
        "id": name,
        "family": "Larch",
        "match": {},
        "version_scheme": {"kind": "dotted"},
        "target": "2.1",
        "approved": ["2.0", "2.1"],
    }
    return Rule.model_validate(plain | changes)


def approved(*rules: Rule) -> Approved:
    return Approved(format=1, rules=rules)
