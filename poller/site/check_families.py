"""What a file of advisories' names must hold together, beyond the type of each key."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from poller.model import version_pattern
from poller.model.problems import Problem
from poller.site.advisory_families import AdvisoryFamilies
from poller.site.faults import Check, Fault, run
from poller.site.register_map import Pattern
from poller.site.yaml_lines import Lined, Path


def check_families(
    one: AdvisoryFamilies, source: Lined, file: str, cut: tuple[Path, ...] = ()
) -> list[Problem]:
    """Every fault that the checks find. source: for the lines; cut: at fault already."""
    return run(CHECKS, one, source, file, cut)


def _ids(one: AdvisoryFamilies) -> Iterator[Fault]:
    seen: set[str] = set()
    for at, family in enumerate(one.families):
        if family.id in seen:
            yield Fault(
                path=("families", at, "id"),
                code="advisories-family-twice",
                what=f"{family.id} is the id of another family already",
                mend="give it an id of its own; bulletins name families by it",
            )
        seen.add(family.id)


def _schemes(one: AdvisoryFamilies) -> Iterator[Fault]:
    for at, family in enumerate(one.families):
        scheme = family.version_scheme
        if isinstance(scheme, Pattern):
            for what in version_pattern.faults(scheme.pattern, scheme.order):
                yield Fault(
                    path=("families", at, "version_scheme", "pattern"),
                    code="advisories-scheme-pattern",
                    what=what,
                    mend="keep it short, with one named group for each name in order",
                )


CHECKS: Final[tuple[Check[AdvisoryFamilies], ...]] = (Check(_ids), Check(_schemes))
