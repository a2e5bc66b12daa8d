"""What a register map must hold together, beyond the type of each key."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from poller.model.problems import Problem
from poller.site import check_layout, check_meaning
from poller.site.faults import Check, Fault, run
from poller.site.fields import fields
from poller.site.register_map import RegisterMap
from poller.site.yaml_lines import Lined, Path

__all__ = ["CHECKS", "check_map", "fields"]

CHECKS: Final[tuple[Check[RegisterMap], ...]] = (*check_layout.CHECKS, *check_meaning.CHECKS)


def check_map(
    one: RegisterMap,
    source: Lined,
    file: str,
    cut: tuple[Path, ...] = (),
    *,
    name: str | None = None,
) -> list[Problem]:
    """Every fault that the checks find. source: for the lines; cut: at fault already.

    name: of the file, which a site names the map by; None where no site is at hand.
    """
    return run((*CHECKS, Check(lambda this: _named(this, name))), one, source, file, cut)


def _named(one: RegisterMap, name: str | None) -> Iterator[Fault]:
    if name is not None and one.map != name:
        yield Fault(
            path=("map",),
            code="map-name",
            what=f"the map calls itself {one.map}, its file {name}",
            mend=f"write map: {name}, or rename the file",
        )
