"""The list of a bundle's files with the SHA-256 of each, as `sha256sum --check` reads it too.

A signature is over the bytes of this list, which stands for all files.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from hashlib import sha256
from typing import Final

from poller.model import limits
from poller.model.refusal import Refusal

NAME: Final = "manifest.sha256"
SIGNATURE: Final = "manifest.sha256.sig"
LINE: Final = re.compile(r"([0-9a-f]{64})  ([A-Za-z0-9._-]+(?:/[A-Za-z0-9._-]+)*)")


def manifest(files: Mapping[str, bytes]) -> bytes:
    """files: path within the bundle to content."""
    lines = [f"{sha256(files[name]).hexdigest()}  {name}\n" for name in sorted(files)]
    return "".join(lines).encode()


def listed(data: bytes) -> dict[str, str]:
    """Path to SHA-256. Raises Refusal for what is no such list, or leads out of the bundle."""
    found: dict[str, str] = {}
    for number, line in enumerate(data.decode("utf-8", "replace").splitlines(), 1):
        match = LINE.fullmatch(line)
        if match is None or ".." in match[2].split("/") or match[2] in found:
            raise Refusal(f"{NAME}, line {number}: it is no SHA-256 and path of a file")
        if number > limits.EVIDENCE_FILES_MAX:
            raise Refusal(f"{NAME}: more than {limits.EVIDENCE_FILES_MAX:,} files")
        found[match[2]] = match[1]
    if not found:
        raise Refusal(f"{NAME}: it names no file")
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """Names of files, sorted."""

    changed: tuple[str, ...]
    missing: tuple[str, ...]
    added: tuple[str, ...]

    @property
    def whole(self) -> bool:
        return not (self.changed or self.missing or self.added)


def compared(wanted: Mapping[str, str], there: Mapping[str, str]) -> Compared:
    """Both: path to SHA-256."""
    return Compared(
        changed=tuple(sorted(n for n in wanted.keys() & there.keys() if wanted[n] != there[n])),
        missing=tuple(sorted(wanted.keys() - there.keys())),
        added=tuple(sorted(there.keys() - wanted.keys())),
    )
