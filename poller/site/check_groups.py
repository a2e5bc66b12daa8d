"""What the protection groups of a site must hold together."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from poller.model.near import instead, near
from poller.site.faults import Check, Fault
from poller.site.settings import LineEnds
from poller.site.whole import Whole
from poller.site.yaml_lines import Path

SECTION: Final = "protection_groups"


def _members(whole: Whole) -> Iterator[tuple[Path, str, str]]:
    """Where each member stands, its group, and the member."""
    for name, group in whole.site.protection_groups.items():
        for at, member in enumerate(group.members):
            yield (SECTION, name, "members", at), name, member


def _unknown(whole: Whole) -> Iterator[Fault]:
    listed = {relay.id: f"{relay.bay} {relay.function}" for relay in whole.site.relays}
    for path, _, member in _members(whole):
        if member not in listed:
            there = instead(near(member, listed), "")
            yield Fault(
                path=path,
                code="site-group-member-unknown",
                what=f"{member} is the id of no relay in this file" + (there and f"; {there}"),
                mend="write the id that is meant, list the relay, or take it out here",
            )


def _twice(whole: Whole) -> Iterator[Fault]:
    seen: set[tuple[str, str]] = set()
    for path, name, member in _members(whole):
        if (name, member) in seen:
            yield Fault(
                path=path,
                code="site-group-member-twice",
                what=f"{member} is in {name} already",
                mend="name the relay that is meant, or take it out here",
            )
        seen.add((name, member))


def _alone(whole: Whole) -> Iterator[Fault]:
    for name, group in whole.site.protection_groups.items():
        far = isinstance(group, LineEnds) and group.far is not None
        if len(group.members) + far < 2:
            other = ", or far: where its other end is in another substation"
            yield Fault(
                path=(SECTION, name),
                code="site-group-of-one",
                what="it has a single member",
                mend="name its other members"
                + (other if isinstance(group, LineEnds) else ", or take the group out"),
            )


def _pairs_twice(whole: Whole) -> Iterator[Fault]:
    for name, group in whole.site.protection_groups.items():
        seen: set[frozenset[str]] = set()
        for at, pair in enumerate(group.pairs if isinstance(group, LineEnds) else ()):
            if frozenset(pair) in seen:
                yield Fault(
                    path=(SECTION, name, "pairs", at),
                    code="site-group-pair-twice",
                    what=f"{' and '.join(pair)} are a pair already, whichever end has which",
                    mend="take it out, or write the pair that is meant",
                )
            seen.add(frozenset(pair))


def _far_version(whole: Whole) -> Iterator[Fault]:
    for name, group in whole.site.protection_groups.items():
        if isinstance(group, LineEnds) and group.far is not None:
            version = group.far.version
            if not any(version in pair for pair in group.pairs):
                yield Fault(
                    path=(SECTION, name, "far", "version"),
                    code="site-group-far-version",
                    what=f"{version} stands in no pair of {name}, so no version works with it",
                    mend="correct it, or add the pair of the versions that the two ends have now",
                )


CHECKS: Final[tuple[Check[Whole], ...]] = (
    Check(_unknown, needs=("relays",)),
    Check(_twice),
    Check(_alone),
    Check(_pairs_twice),
    Check(_far_version),
)
