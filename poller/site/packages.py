"""Packages of the approved list: the files that steps load, as their maker says they are."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from poller.model import limits
from poller.site.register_map import Line
from poller.site.strict import Day, Strict, Words


class Digest(Strict):
    """How the digest of a package came from its source: from where, when, to whom, how."""

    source: Line
    on: Day
    by: Line
    how: Words


class Package(Strict):
    """A file that a step loads, as its maker says it is. version: which step loads it.

    size: octets. key: PEM file of the maker's public key, beside this file unless absolute.
    """

    version: Line
    file: Line
    size: Annotated[
        int, Field(ge=1, le=limits.PACKAGE_BYTES_MAX, description="in octets; none is larger")
    ]
    sha256: Annotated[
        str,
        Field(
            pattern=r"^[0-9a-f]{64}$", description="64 hexadecimal digits, small letters among them"
        ),
    ]
    digest: Digest
    key: Line | None = None
