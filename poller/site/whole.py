"""A site file and the maps it names, as the checks look at them together."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from poller.site.register_map import RegisterMap
from poller.site.settings import SiteFile


@dataclass(frozen=True, slots=True, kw_only=True)
class Whole:
    """maps: those that could be loaded, by name."""

    site: SiteFile
    maps: Mapping[str, RegisterMap]
