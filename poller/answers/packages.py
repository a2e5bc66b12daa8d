"""What came of checking a package, as a person or a program reads it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from poller.answers.due_words import SIGNATURE
from poller.answers.words import position
from poller.model.due import Signature
from poller.model.standing import State
from poller.model.text import shown
from poller.planning.archive import Listing
from poller.planning.package import Fit, Listed, digest_says


@dataclass(frozen=True, slots=True, kw_only=True)
class PackagePart:
    name: str
    size: int
    folder: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class PackageFit:
    """A relay that it is meant for. says: all of it in words; in_the_way: it can't be loaded so."""

    relay: str
    position: str
    present: str | None
    fits: bool | None
    step: str
    memory_kb: int | None
    free_kb: int | None
    in_the_way: bool
    says: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PackageRow:
    """rule, version: of the approved list, None where it has no such package. against: sentences.

    source: how the digest came from its source. archive: zip, tar or none.
    """

    file: str
    size: int
    sha256: str
    rule: str | None
    version: str | None
    source: str | None
    signature: Signature
    signature_says: str
    archive: str
    parts: tuple[PackagePart, ...]
    relays: tuple[PackageFit, ...]
    against: tuple[str, ...]
    passed: bool


def package_row(
    *,
    file: str,
    size: int,
    sha256: str,
    found: Listed | None,
    signature: Signature,
    held: Listing,
    fits: Iterable[Fit],
    against: tuple[str, ...],
    state: State,
) -> PackageRow:
    return PackageRow(
        file=shown(file),
        size=size,
        sha256=sha256,
        rule=None if found is None else found.rule.id,
        version=None if found is None else found.package.version,
        source=None if found is None else digest_says(found.package),
        signature=signature,
        signature_says=SIGNATURE[signature],
        archive=held.kind.value,
        parts=tuple(
            PackagePart(name=shown(part.name), size=part.size, folder=part.folder)
            for part in held.parts
        ),
        relays=tuple(_fit(one, state) for one in fits),
        against=against,
        passed=not against,
    )


def _fit(one: Fit, state: State) -> PackageFit:
    way_known = one.step == "in one step"
    return PackageFit(
        relay=one.relay,
        position=position(one.relay, state),
        present=None if one.present is None else shown(one.present),
        fits=one.fits,
        step=one.step,
        memory_kb=one.memory_kb,
        free_kb=one.free_kb,
        in_the_way=not one.fits or not way_known or one.memory_lacks,
        says=_says(one),
    )


def _says(one: Fit) -> str:
    if one.fits is None:
        return f"it is not known whether it fits: {one.why}"
    if not one.fits:
        return f"does not fit: {one.why}"
    return f"fits; {one.step}{_memory(one)}"


def _memory(one: Fit) -> str:
    if one.memory_kb is None:
        return "; the memory that it needs is not known" if one.step == "in one step" else ""
    if one.free_kb is None:
        return f"; needs {one.memory_kb:,} kB, and how much is free is not known"
    word = "only " if one.memory_lacks else ""
    return f"; needs {one.memory_kb:,} kB, {word}{one.free_kb:,} kB are free"
