"""Which of a relay's maps fits what its identity says, since firmware moves registers."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from fnmatch import fnmatchcase
from typing import TypeAlias

from poller.model.events import Order
from poller.model.firmware_version import order
from poller.model.nameplate import Nameplate
from poller.site.register_map import RegisterMap, VersionScheme

Compare: TypeAlias = Callable[[str, str, VersionScheme], Order]
"""(before, after, scheme): where after stands against before."""


def choose(
    maps: Sequence[RegisterMap], identity: Nameplate, *, compare: Compare = order
) -> RegisterMap | None:
    """The first map that fits, in the order in which the site lists them."""
    return next((one for one in maps if fits(one, identity, compare=compare)), None)


def fits(one: RegisterMap, identity: Nameplate, *, compare: Compare = order) -> bool:
    """Whether every condition of the map holds. What the identity does not tell fits no pattern."""
    wanted = one.fits
    if not (
        _any_of(wanted.vendors, identity.vendor)
        and _any_of(wanted.models, identity.model)
        and _any_of(wanted.order_codes, identity.orderCode)
    ):
        return False
    versions = wanted.versions
    if versions is None:
        return True
    if identity.swRev is None:
        return False
    if versions.from_ is not None:
        against = compare(versions.from_, identity.swRev, one.version_scheme)
        if against in (Order.OLDER, Order.NOT_COMPARABLE):
            return False
    if versions.below is not None:
        return compare(versions.below, identity.swRev, one.version_scheme) is Order.OLDER
    return True


def _any_of(patterns: Sequence[str], text: str | None) -> bool:
    """* and ? are wild and nothing else: an order code may hold a bracket."""
    if not patterns:
        return True
    return text is not None and any(
        fnmatchcase(text, pattern.replace("[", "[[]")) for pattern in patterns
    )
