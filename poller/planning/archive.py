"""What a package holds, listed and never unpacked: a hostile one shows itself by its directory.

Looked for: names that lead out of the folder it would be unpacked into, links and devices, names
twice, parts that share octets, and far more content than octets. Sources: APPNOTE.TXT of the ZIP
format, 4.3; POSIX.1-2001 (ustar, pax).
"""

from __future__ import annotations

import bz2
import gzip
import re
import stat
import struct
import tarfile
import zipfile
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from typing import IO, Any, Final, cast

from poller.model import limits
from poller.model.text import shown


class Kind(StrEnum):
    ZIP = "zip"
    TAR = "tar"
    NONE = "none"  # or none that is looked into


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """size: octets, as the archive says. link: where it leads, "" where that is not told.

    special: it is no file, folder or link.
    """

    name: str
    size: int
    folder: bool = False
    link: str | None = None
    special: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Listing:
    """parts: in their order, as far as was read. against: sentences; empty: nothing."""

    kind: Kind
    parts: tuple[Part, ...]
    against: tuple[str, ...]


class Refused(Exception):
    """It is not read on; the text says why."""


UNREADABLE: Final = (
    zipfile.BadZipFile,
    tarfile.TarError,
    zlib.error,
    struct.error,
    OSError,
    EOFError,
    ValueError,
    OverflowError,
    RecursionError,
    NotImplementedError,
)


def listing(stream: IO[bytes], size: int) -> Listing:
    """Of a seekable file of so many octets."""
    kind, reader = _kind(stream)
    if kind is Kind.NONE:
        return Listing(kind=kind, parts=(), against=())
    found = _Counted(size)
    against: list[str] = []
    try:
        if kind is Kind.ZIP:
            against += _zip(stream, size, found)
        else:
            _tar(reader, found)
    except Refused as reason:
        against.append(str(reason))
    except UNREADABLE as reason:
        against.append(f"it can't be read as an archive: {shown(str(reason), 80)}")
    against += _suspicious(found.parts)
    told = tuple(dict.fromkeys(against))[: limits.AGAINST_MAX]
    return Listing(kind=kind, parts=tuple(found.parts), against=told)


def _kind(stream: IO[bytes]) -> tuple[Kind, IO[bytes]]:
    """By its first octets, whatever its name is."""
    head = stream.read(263)
    stream.seek(0)
    if head.startswith((b"PK\x03\x04", b"PK\x05\x06")):
        return Kind.ZIP, stream
    if head.startswith(b"\x1f\x8b"):
        return Kind.TAR, cast(IO[bytes], gzip.GzipFile(fileobj=stream))
    if head.startswith(b"BZh"):
        return Kind.TAR, cast(IO[bytes], bz2.BZ2File(stream))
    if head[257:262] == b"ustar":
        return Kind.TAR, stream
    return Kind.NONE, stream


def _zip(stream: IO[bytes], size: int, counted: _Counted) -> Iterator[str]:
    _index(stream, size)
    with zipfile.ZipFile(stream) as opened:
        found = opened.infolist()
        for one in found:
            mode = one.external_attr >> 16
            counted.add(
                Part(
                    name=one.filename,
                    size=one.file_size,
                    folder=one.filename.endswith("/"),  # zipfile's own fails without a name
                    link="" if stat.S_ISLNK(mode) else None,
                )
            )
    places = sorted((one.header_offset, one.compress_size) for one in found)
    if any(here + length > there for (here, length), (there, _) in pairwise(places)):
        yield "parts of it share octets, as no honest archive does"
    if any(one.flag_bits & 1 for one in found):
        yield "parts of it are encrypted, so that nobody can look at them"


def _index(stream: IO[bytes], size: int) -> None:
    """The directory is read at once: how large it says it is, before that."""
    tail = min(size, 65_557 + 20)  # the end record with the longest comment, and a locator
    stream.seek(size - tail)
    data = stream.read(tail)
    stream.seek(0)
    at = data.rfind(b"PK\x05\x06")
    if at < 0 or len(data) - at < 22:
        raise Refused("it begins as a ZIP file and has no directory: it was cut off")
    length = int(struct.unpack_from("<I", data, at + 12)[0])
    if length == 0xFFFF_FFFF and data[at - 20 : at - 16] == b"PK\x06\x07":
        (place,) = struct.unpack_from("<Q", data, at - 12)
        stream.seek(place)
        record = stream.read(56)
        stream.seek(0)
        if len(record) == 56:
            length = int(struct.unpack_from("<Q", record, 40)[0])
    if length > limits.ARCHIVE_INDEX_MAX:
        raise Refused(f"its directory is said to be {length:,} octets long")


class _Held:
    """A file that no header can make read more at once than is held."""

    def __init__(self, inner: IO[bytes]) -> None:
        self._inner = inner

    def read(self, size: int = -1) -> bytes:
        if not 0 <= size <= limits.ARCHIVE_INDEX_MAX:
            raise Refused(f"one of its headers is said to be {size:,} octets long")
        return self._inner.read(size)

    def seek(self, offset: int, whence: int = 0) -> int:
        return self._inner.seek(offset, whence)

    def tell(self) -> int:
        return self._inner.tell()


def _tar(reader: IO[bytes], counted: _Counted) -> None:
    with tarfile.open(fileobj=cast(Any, _Held(reader)), mode="r:") as opened:
        while (one := opened.next()) is not None:
            cast(Any, opened).members = []  # the list would keep them all a second time
            linked = one.issym() or one.islnk()
            counted.add(  # before what it holds is passed over
                Part(
                    name=one.name,
                    size=one.size,
                    folder=one.isdir(),
                    link=one.linkname if linked else None,
                    special=not (one.isfile() or one.isdir() or linked),
                )
            )


class _Counted:
    """The parts of an archive, which end where it holds more than any package."""

    def __init__(self, size: int) -> None:
        self.parts: list[Part] = []
        self._size = size
        self._left = min(limits.ARCHIVE_BYTES_MAX, max(size, 1024) * limits.ARCHIVE_RATIO_MAX)

    def add(self, part: Part) -> None:
        if len(self.parts) >= limits.ARCHIVE_ENTRIES_MAX:
            raise Refused(f"it holds more than {limits.ARCHIVE_ENTRIES_MAX:,} parts")
        self.parts.append(part)
        self._left -= part.size
        if self._left < 0:
            raise Refused(
                f"from {self._size:,} octets it unpacks to more than any package: it could fill "
                "up a disk"
            )


DRIVE: Final = re.compile(r"[A-Za-z]:")


def leads_out(name: str) -> bool:
    """Whether unpacking it could write outside the folder, on any system."""
    plain = name.replace("\\", "/")
    return plain.startswith("/") or bool(DRIVE.match(plain)) or ".." in plain.split("/")


def _suspicious(parts: Iterable[Part]) -> Iterator[str]:
    seen: set[str] = set()
    for part in parts:
        name = shown(part.name, 80)
        if not part.name:
            yield "a part of it has no name"
        if leads_out(part.name):
            yield f"{name} would be unpacked outside its folder"
        if part.link == "":
            yield f"{name} is a link, and nobody says where it leads"
        elif part.link is not None and leads_out(part.link):
            yield f"{name} is a link to {shown(part.link, 80)}, outside its folder"
        if part.special:
            yield f"{name} is no file"
        if shown(part.name, len(part.name) * 10 + 1) != part.name:
            yield f"{name} has characters that no file name needs"
        key = part.name.replace("\\", "/").rstrip("/").casefold()
        if key in seen:
            yield f"{name} stands in it twice"
        seen.add(key)
