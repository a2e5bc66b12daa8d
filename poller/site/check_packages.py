"""What the packages of an approved list must hold together."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from poller.model.text import shown
from poller.site.approved import Approved, is_approved
from poller.site.faults import Check, Fault
from poller.site.usable_rules import usable


def _packages(one: Approved) -> Iterator[Fault]:
    for at, rule in usable(one):
        for number, package in enumerate(rule.packages):
            if not is_approved(rule, package.version):
                yield Fault(
                    path=("rules", at, "packages", number, "version"),
                    code="approved-package",
                    what=f"a package of {shown(package.version)}, which is not approved",
                    mend="add the version to approved, or take the package out",
                )


def _digests(one: Approved) -> Iterator[Fault]:
    seen: dict[str, str] = {}
    for at, rule in enumerate(one.rules):
        for number, package in enumerate(rule.packages):
            if package.sha256 in seen:
                yield Fault(
                    path=("rules", at, "packages", number, "sha256"),
                    code="approved-package-twice",
                    what=f"rule {seen[package.sha256]} has a package of this SHA-256 already",
                    mend="keep one of them; the same file is one package",
                )
            seen.setdefault(package.sha256, rule.id)


CHECKS: Final[tuple[Check[Approved], ...]] = (Check(_packages), Check(_digests))
