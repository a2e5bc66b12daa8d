"""Which relays the names in security advisories mean. Written by the engineer.

Makers name products in advisories otherwise than relays tell their models, and no two alike. What
stands here is for CSAF documents and for service bulletins alike.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from poller.model import limits
from poller.model.nameplate import Nameplate, flat
from poller.site import globs
from poller.site.approved import DEVICE, RuleId
from poller.site.register_map import Line, Name, VersionScheme
from poller.site.strict import Many, Strict

Globs = Annotated[
    tuple[Line, ...],
    Field(min_length=1, max_length=limits.APPROVED_GLOBS_MAX, strict=False),
]


class Relays(Strict):
    """Which relays are of the family, by what their nameplates tell. vendors: absent: any."""

    models: Globs
    vendors: Annotated[Many[Line], Field(max_length=limits.APPROVED_GLOBS_MAX)] = ()


class Named(Strict):
    """As documents spell it; * and ? are wild. vendors: absent: any, and documents without one."""

    products: Globs
    vendors: Annotated[Many[Line], Field(max_length=limits.APPROVED_GLOBS_MAX)] = ()

    def means(self, vendor: str | None, product: str) -> bool:
        of_vendor = not self.vendors or (vendor is not None and _any(self.vendors, vendor))
        return of_vendor and _any(self.products, product)


class Family(Strict):
    """firmware: device, or the name of the component whose versions the documents tell."""

    id: RuleId
    family: Line
    relays: Relays
    named: Named
    firmware: Name = DEVICE
    version_scheme: VersionScheme

    def has(self, plate: Nameplate) -> bool:
        of_vendor = not self.relays.vendors or (
            plate.vendor is not None and _any(self.relays.vendors, plate.vendor)
        )
        return of_vendor and plate.model is not None and _any(self.relays.models, plate.model)

    def version(self, plate: Nameplate) -> str | None:
        """Of its firmware; None: it tells none."""
        name = "swRev" if self.firmware == DEVICE else f"components.{self.firmware}.swRev"
        return flat(plate).get(name)


class AdvisoryFamilies(Strict):
    """folder: of documents, beside this file unless absolute. elsewhere: not in the station."""

    format: Literal[1]
    folder: Line = "advisories"
    families: Annotated[Many[Family], Field(max_length=limits.APPROVED_RULES_MAX)] = ()
    elsewhere: Annotated[Many[Named], Field(max_length=limits.APPROVED_RULES_MAX)] = ()

    def family(self, name: str) -> Family | None:
        return next((one for one in self.families if one.id == name), None)


def _any(patterns: tuple[str, ...], text: str) -> bool:
    return any(globs.matches(text, pattern) for pattern in patterns)
