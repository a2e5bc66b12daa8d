"""The permitted way from one version to another, through others where no step goes at once."""

from __future__ import annotations

import heapq
from collections.abc import Iterator
from itertools import count
from typing import Final, TypeAlias

from poller.site.approved import Rule, Step, same_version, withdrawn

Way: TypeAlias = tuple[Step, ...]
NONE_NEEDED: Final[Way] = ()


def way(rule: Rule, present: str, target: str) -> Way | None:
    """Fewest steps, then fewest minutes; None: the procedure permits no way.

    Not through a version that was withdrawn: a relay may have to stay there.
    """
    order = count()  # so that steps themselves are never compared
    waiting: list[tuple[int, int, int, str, Way]] = [(0, 0, next(order), present, NONE_NEEDED)]
    left: list[str] = []
    while waiting:
        steps, minutes, _, here, came = heapq.heappop(waiting)
        if same_version(rule, here, target):
            return came
        if any(same_version(rule, here, one) for one in left):
            continue
        left.append(here)
        for step in _from(rule, here):
            more = (steps + 1, minutes + step.minutes, next(order), step.to, (*came, step))
            heapq.heappush(waiting, more)
    return None


def _from(rule: Rule, here: str) -> Iterator[Step]:
    for step in rule.steps:
        if same_version(rule, step.from_, here) and withdrawn(rule, step.to) is None:
            yield step
