"""Whether a product of an advisory is the box that is looked at: yes, no, or a person decides.

Nothing is guessed: what can't be told from the document and the nameplate is told to be so.
Sources: CSAF 2.0, 3.1.2 (branches), 3.1.3.3 (model numbers, serial numbers, SKUs), 3.2.2.4
(relationships), 6.1.31 (names that are no version).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from enum import IntEnum
from typing import Final

from poller.model import vers
from poller.model.events import Order
from poller.model.firmware_version import Scheme, order, readable
from poller.model.text import shown
from poller.planning.boxes import Box
from poller.planning.csaf_shape import Bond, Category
from poller.planning.product_tree import Product
from poller.site import globs
from poller.site.advisory_families import Family

# CSAF 2.0, 6.1.31, with what its valid example 12 shows: words are set apart by white space
OPERATORS: Final = re.compile(r"[<>]")
NO_VERSION: Final = frozenset({"after", "all", "before", "earlier", "later", "prior", "versions"})


class Truth(IntEnum):
    """The least of several is that of all."""

    NO = 0
    MAYBE = 1
    YES = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Match:
    """why: of MAYBE, a clause for people. exact: the document names this very version."""

    truth: Truth
    why: str = ""
    exact: bool = False


YES: Final = Match(truth=Truth.YES)
NO: Final = Match(truth=Truth.NO)


def maybe(why: str) -> Match:
    return Match(truth=Truth.MAYBE, why=why)


def both(*parts: Match) -> Match:
    """All of them hold; where one may, why the first of those may."""
    least = min(part.truth for part in parts)
    first = next(part for part in parts if part.truth is least)
    return replace(first, exact=any(part.exact for part in parts))


def one_version(name: str) -> bool:
    """Whether the name of a product_version can be one version; "prior to 4.2" can't (6.1.31)."""
    return not OPERATORS.search(name) and NO_VERSION.isdisjoint(name.lower().split())


def families_of(product: Product, families: Iterable[Family]) -> tuple[Family, ...]:
    """Those that the document's names mean."""
    return tuple(one for one in families if one.named.means(product.vendor, product.title))


Compare = Callable[[str, str, Scheme], Match]
"""Of a version that the document names against the one that runs, under the family's scheme."""


def matched(
    product: Product,
    box: Box,
    families: Mapping[str, tuple[Family, ...]],
    products: Mapping[str, Product],
    compare: Compare | None = None,
) -> Match:
    """families: those that each product names, by its id. products: all of the document, by id.

    compare: how a product_version is compared; None: it is that very version.
    """
    own = _identified(product, box)
    bond = product.bond
    if bond is None:
        return both(own, _of_family(product, box, families.get(product.id, ()), compare))
    inner = matched(products[bond.of], box, families, products, compare)
    outer = matched(products[bond.to], box, families, products, compare)
    if bond.category is Bond.DEFAULT_COMPONENT_OF and not _known(bond.of, families, products):
        return both(own, outer)  # it is in each of them
    parts = []
    for name, found in ((bond.of, inner), (bond.to, outer)):
        if _known(name, families, products):
            parts.append(found)
        else:
            title = shown(products[name].name, 60)
            parts.append(maybe(f"whether {title} is in it no nameplate tells"))
    if not any(_known(name, families, products) for name in (bond.of, bond.to)):
        return NO
    return both(own, *parts)


def _known(
    name: str, families: Mapping[str, tuple[Family, ...]], products: Mapping[str, Product]
) -> bool:
    """Whether it is, or is made of, anything that names of a family here mean."""
    bond = products[name].bond
    if bond is None:
        return bool(families.get(name))
    return _known(bond.of, families, products) or _known(bond.to, families, products)


def _of_family(
    product: Product, box: Box, families: Iterable[Family], compare: Compare | None
) -> Match:
    """By the first of the families that the box is of."""
    for family in families:
        if family.has(box.plate):
            return _version(product, family, box, compare or _equal)
    return NO


def _identified(product: Product, box: Box) -> Match:
    helper, plate = product.helper, box.plate
    codes = [text for text in (plate.model, plate.orderCode) if text is not None]
    serials = [text for text in (plate.serNum,) if text is not None]
    return both(
        _numbers(helper.model_numbers, codes, "model or order code"),
        _numbers(helper.skus, codes, "order code"),
        _numbers(helper.serial_numbers, serials, "serial number"),
    )


def _numbers(patterns: Iterable[str] | None, told: list[str], what: str) -> Match:
    """Patterns with ? and *, whatever the case. What is written without may be cut short."""
    if patterns is None:
        return YES
    if not told:
        return maybe(f"the document names some by {what}, and the nameplate tells none")
    texts = [text.casefold() for text in told]
    cut = None
    for pattern in patterns:
        plain = pattern.casefold()
        for text in texts:
            if globs.matches(text, plain):
                return YES
            if (
                globs.ANY_ONE not in plain
                and globs.ANY_TEXT not in plain
                and text.startswith(plain)
            ):
                cut = pattern
    if cut is not None:
        return maybe(f"{shown(cut, 60)} may be the beginning of its {what}, or another one")
    return NO


VERSIONS: Final = (Category.PRODUCT_VERSION, Category.PRODUCT_VERSION_RANGE)
PATCHES: Final = (Category.SERVICE_PACK, Category.PATCH_LEVEL)
NARROWER: Final = (
    Category.ARCHITECTURE,
    Category.HOST_NAME,
    Category.LANGUAGE,
    Category.SPECIFICATION,
)


def _version(product: Product, family: Family, box: Box, compare: Compare) -> Match:
    """All versions where the document names none."""
    narrower = [
        maybe(f"the document is about some of them only: {shown(name, 60)}")
        for name in product.told(*NARROWER)
    ]
    named, patches = product.told(*VERSIONS), product.told(*PATCHES)
    if not named and not patches:
        return both(YES, *narrower)
    if len(named) != 1:
        return maybe("the document names its version in a way that is not understood")
    running = family.version(box.plate)
    ranged = product.told(Category.PRODUCT_VERSION_RANGE)
    if ranged:
        found = in_range(ranged[0], running, family.version_scheme)
        narrower += [maybe(f"the document goes on with {shown(name, 60)}") for name in patches]
    else:
        found = _named(" ".join((*named, *patches)), running, family.version_scheme, compare)
    return both(found, *narrower)


def in_range(text: str, running: str | None, scheme: Scheme) -> Match:
    try:
        found = vers.parse(text, scheme)
    except vers.BadRange as reason:
        why = f"{reason.what}; {reason.mend}" if reason.where == text else str(reason)
        return maybe(f"its range {shown(text, 60)} can't be used: {why}")
    within = True if not found.constraints else None
    if running is not None:
        within = vers.contains(found, running, scheme)
    if within is None:
        return maybe(_not_placed(running, text))
    return YES if within else NO


def _named(name: str, running: str | None, scheme: Scheme, compare: Compare) -> Match:
    if not one_version(name):
        return maybe(f"{shown(name, 60)} is no single version (CSAF 2.0, 6.1.31)")
    if running is None:
        return maybe(_not_placed(running, name))
    return compare(name, running, scheme)


def _equal(name: str, running: str, scheme: Scheme) -> Match:
    match order(name, running, scheme):
        case Order.SAME | Order.TEXT_ONLY:
            return Match(truth=Truth.YES, exact=True)
        case Order.NOT_COMPARABLE:
            return maybe(_not_placed(running, name))
        case _:
            return NO


def _not_placed(running: str | None, name: str) -> str:
    if running is None:
        return f"its firmware is not known, to be held against {shown(name, 60)}"
    return f"its firmware {shown(running, 60)} can't be held against {shown(name, 60)}"


def at_or_after(name: str, running: str, scheme: Scheme) -> Match:
    """Of the first version that is so: later ones may be, and the document does not say it."""
    return _beyond(name, running, scheme, Order.NEWER, "first")


def at_or_before(name: str, running: str, scheme: Scheme) -> Match:
    return _beyond(name, running, scheme, Order.OLDER, "last")


def _beyond(name: str, running: str, scheme: Scheme, beyond: Order, which: str) -> Match:
    if readable(name, scheme) and order(name, running, scheme) is beyond:
        says = f"the document names {shown(name, 60)} as the {which} version only"
        return maybe(f"{says}, and it runs {shown(running, 60)}")
    return _equal(name, running, scheme)


def unmapped(
    products: Iterable[Product], families: Mapping[str, tuple[Family, ...]]
) -> Iterator[tuple[str | None, str]]:
    """Vendor and title of products that no family is named by, each once."""
    seen = {(one.vendor, one.title) for one in products if one.bond is None}
    known = {(one.vendor, one.title) for one in products if families.get(one.id)}
    yield from sorted(seen - known, key=lambda one: (one[0] or "", one[1]))
