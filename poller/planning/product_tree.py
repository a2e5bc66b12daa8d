"""The products of an advisory, each with all that its place in the tree says of it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, TypeAlias

from poller.planning.csaf_shape import Bond, Branch, Category, FullProductName, Helper, ProductTree

Step: TypeAlias = tuple[Category, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Bonded:
    """What a relationship makes one product of: of, together with to."""

    category: Bond
    of: str
    to: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Product:
    """pointer: where it stands. steps: branches from the root to it; bond: of a relationship."""

    id: str
    pointer: str
    name: str
    steps: tuple[Step, ...]
    helper: Helper
    bond: Bonded | None = None

    def told(self, *categories: Category) -> tuple[str, ...]:
        """Names of its branches of these categories, outermost first."""
        return tuple(name for category, name in self.steps if category in categories)

    @property
    def vendor(self) -> str | None:
        return next(iter(self.told(Category.VENDOR)), None)

    @property
    def title(self) -> str:
        """What it is called without its version: its product, else its family, else all of it."""
        for category in (Category.PRODUCT_NAME, Category.PRODUCT_FAMILY):
            names = self.told(category)
            if names:
                return names[-1]
        return self.name


NO_HELPER: Final = Helper()


def products(tree: ProductTree) -> Iterator[Product]:
    """In the order of the document: branches, then those without, then those of relationships."""
    for at, branch in enumerate(tree.branches):
        yield from _branch(branch, f"/product_tree/branches/{at}", ())
    for at, name in enumerate(tree.full_product_names):
        yield _product(name, f"/product_tree/full_product_names/{at}", ())
    for at, one in enumerate(tree.relationships):
        bond = Bonded(
            category=one.category,
            of=one.product_reference,
            to=one.relates_to_product_reference,
        )
        pointer = f"/product_tree/relationships/{at}/full_product_name"
        yield _product(one.full_product_name, pointer, (), bond)


def _branch(branch: Branch, pointer: str, above: tuple[Step, ...]) -> Iterator[Product]:
    """As deep as a document may be, which is bounded."""
    steps = (*above, (branch.category, branch.name))
    if branch.product is not None:
        yield _product(branch.product, f"{pointer}/product", steps)
    for at, inner in enumerate(branch.branches or ()):
        yield from _branch(inner, f"{pointer}/branches/{at}", steps)


def _product(
    name: FullProductName, pointer: str, steps: tuple[Step, ...], bond: Bonded | None = None
) -> Product:
    return Product(
        id=name.product_id,
        pointer=pointer,
        name=name.name,
        steps=steps,
        helper=name.product_identification_helper or NO_HELPER,
        bond=bond,
    )
