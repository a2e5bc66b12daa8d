"""The files that a site depends on: who else may read or change them, how long certificates last.

Nothing of a key or a password is told.
"""

from __future__ import annotations

import os
import ssl
import stat
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from cryptography import x509

from poller.answers.selftest import (
    ONLY_OWNER,
    OTHERS_READ,
    OTHERS_WRITE,
    CertificateSeen,
    FileSeen,
)
from poller.certificates import NONE_ASKED
from poller.model import limits
from poller.site.secrets import hides_secret
from poller.site.settings import Site

JOURNAL: Final = ("", "-wal", "-shm", ".lock")  # what lies beside it is part of it


@dataclass(frozen=True, slots=True)
class Kept:
    """not_for_others: permission bits that nobody else should have."""

    path: Path
    not_for_others: int


def kept(site_file: Path, site: Site, journal: Path, users: Path) -> Iterator[Kept]:
    """Every file of which it matters who may touch it. Those that we make, and optional ones, only
    where they are there."""
    folder = site_file.parent
    yield Kept(site_file, OTHERS_WRITE)
    yield Kept(journal.parent, OTHERS_WRITE)
    for ending in JOURNAL:
        part = journal.with_name(journal.name + ending)
        if part.exists():
            yield Kept(part, OTHERS_WRITE)
    if users.exists():
        yield Kept(users, ONLY_OWNER)
    for path, name in _named(site):
        if path[-1] == "key" or hides_secret(path):
            yield Kept(folder / name, OTHERS_READ)


def certificates(site_file: Path, site: Site) -> Iterator[tuple[Path, bool]]:
    """Each with whether it is of an authority."""
    for path, name in _named(site):
        if path[-1] in ("certificate", "ca"):
            yield site_file.parent / name, path[-1] == "ca"


def pairs(site_file: Path, site: Site) -> Iterator[tuple[Path, Path]]:
    """Each certificate that is named with its key."""
    named = dict(_all_named(site))
    found = [
        (name, named[*path[:-1], "key"])
        for path, name in named.items()
        if path[-1] == "certificate" and (*path[:-1], "key") in named
    ]
    for certificate, key in dict.fromkeys(found):
        yield site_file.parent / certificate, site_file.parent / key


def unpaired(certificate: Path, key: Path) -> str | None:
    """Why they can't be used together; None: they can, or one of them is not to be read."""
    try:
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(
            certificate, key, password=NONE_ASKED
        )
    except ssl.SSLError as reason:
        return str(reason)
    except (OSError, ValueError):  # ValueError: a name with a NUL in it
        return None
    return None


def secrets(site_file: Path, site: Site) -> Iterator[tuple[str, Path]]:
    """Files that hold a user or a password, each with the place that names it."""
    for path, name in _named(site):
        if hides_secret(path):
            place = "".join(f"[{step}]" if isinstance(step, int) else f".{step}" for step in path)
            yield place.removeprefix("."), site_file.parent / name


def unreadable(path: Path) -> str | None:
    """Why nobody like us can read it; None: we can. Nothing of it is read."""
    try:
        with path.open("rb"):
            return None
    except (OSError, ValueError) as reason:  # ValueError: a name with a NUL in it
        return getattr(reason, "strerror", None) or str(reason)


def _named(site: Site) -> Iterator[tuple[tuple[str | int, ...], str]]:
    """As _all_named, each file once."""
    seen: set[str] = set()
    for path, name in _all_named(site):
        if name not in seen:
            seen.add(name)
            yield path, name


def _all_named(site: Site) -> Iterator[tuple[tuple[str | int, ...], str]]:
    """Keys, certificates and files of secrets of page, broker and outputs."""
    file = site.file
    told: dict[str, Any] = {
        "broker": file.broker.model_dump() if file.broker else None,
        "page": file.page.model_dump() if file.page else None,
        "outputs": file.outputs,
    }
    for path, name in _leaves(told, ()):
        if isinstance(name, str) and _is_file(path):
            yield path, name


def _is_file(path: tuple[str | int, ...]) -> bool:
    return path[-1] in ("key", "certificate", "ca") or (path[-1] == "file" and hides_secret(path))


def _leaves(value: Any, path: tuple[str | int, ...]) -> Iterator[tuple[tuple[str | int, ...], Any]]:
    if isinstance(value, Mapping):
        for key, inner in value.items():
            yield from _leaves(inner, (*path, key))
    elif isinstance(value, list | tuple):
        for at, inner in enumerate(value):
            yield from _leaves(inner, (*path, at))
    else:
        yield path, value


def look_at(path: Path) -> FileSeen:
    try:
        found = path.stat()
        folder = stat.S_ISDIR(found.st_mode)
        may = os.access(path, os.W_OK | os.X_OK if folder else os.R_OK)
        denied = None if may else "write in it" if folder else "read it"
        return FileSeen(path=str(path), mode=stat.S_IMODE(found.st_mode), denied=denied)
    except FileNotFoundError:
        return FileSeen(path=str(path))
    except (OSError, ValueError) as reason:  # ValueError: a name with a NUL in it
        return FileSeen(path=str(path), why=str(reason))


def certificate(path: Path, of_authority: bool) -> CertificateSeen:
    """PEM; of several in a file the first to end, and of authorities the last: one may follow."""
    try:
        with path.open("rb") as file:
            octets = file.read(limits.FILE_BYTES_MAX)
        several = x509.load_pem_x509_certificates(octets)
    except (OSError, ValueError) as reason:
        return CertificateSeen(path=str(path), why=str(reason))
    chosen = max if of_authority else min
    one = chosen(several, key=lambda one: one.not_valid_after_utc)
    return CertificateSeen(
        path=str(path), begins=one.not_valid_before_utc, ends=one.not_valid_after_utc
    )
