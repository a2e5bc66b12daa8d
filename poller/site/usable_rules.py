"""Rules of an approved list whose version scheme can be asked at all."""

from __future__ import annotations

from collections.abc import Iterator

from poller.model import version_pattern
from poller.site.approved import Approved, Rule
from poller.site.register_map import Pattern


def scheme_faults(rule: Rule) -> tuple[str, ...]:
    scheme = rule.version_scheme
    if isinstance(scheme, Pattern):
        return version_pattern.faults(scheme.pattern, scheme.order)
    return ()


def usable(one: Approved) -> Iterator[tuple[int, Rule]]:
    """Rules whose scheme can be asked at all."""
    return ((at, rule) for at, rule in enumerate(one.rules) if not scheme_faults(rule))
