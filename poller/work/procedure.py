"""The words of a family's own procedure, quoted to people and never carried out."""

from __future__ import annotations

from typing import Literal, TypeAlias

from poller.model.nameplate import Nameplate
from poller.site.approved import Rule, rule_for
from poller.site.settings import Site

Topic: TypeAlias = Literal[
    "lifecycle_warning",
    "free_memory",
    "test",
    "failed",
    "settings",
    "hardware",
    "health",
    "in_service",
    "no_answer",
]
"""A key of `procedure:` in the approved list."""
DEVICE: str = "swRev"


def rule_of(site: Site, nameplate: Nameplate | None, attribute: str = DEVICE) -> Rule | None:
    """The rule for a firmware of this relay; None too where the site has no approved list."""
    if site.approved is None or nameplate is None:
        return None
    return rule_for(site.approved, nameplate, attribute)


def quoted(
    site: Site, nameplate: Nameplate | None, topic: Topic, attribute: str = DEVICE
) -> str | None:
    """`Larch protection, procedure: "Leave test mode."`; None: it says nothing of this.

    A component whose own rule says nothing is spoken for by the device's.
    """
    for name in dict.fromkeys((attribute, DEVICE)):
        rule = rule_of(site, nameplate, name)
        words: str | None = None if rule is None else getattr(rule.procedure, topic)
        if rule is not None and words is not None:
            return f'{rule.family}, procedure: "{words}"'
    return None


def with_words(
    cure: str, site: Site, nameplate: Nameplate | None, topic: Topic, attribute: str = DEVICE
) -> str:
    """A cure in our words, then in the procedure's, where it has some."""
    words = quoted(site, nameplate, topic, attribute)
    return cure if words is None else f"{cure}. {words}"
