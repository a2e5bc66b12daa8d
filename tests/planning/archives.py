"""Small archives, sound and hostile, made with Python's own zipfile and tarfile."""

from __future__ import annotations

import bz2
import gzip
import io
import random
import struct
import tarfile
import zipfile
from typing import Final

from poller.planning.archive import Kind


def zipped(*parts: tuple[str, bytes], mode: int = 0o644) -> bytes:
    data = io.BytesIO()
    with zipfile.ZipFile(data, "w", zipfile.ZIP_DEFLATED) as made:
        for name, held in parts:
            info = zipfile.ZipInfo(name, (2026, 2, 9, 12, 0, 0))
            info.compress_type = zipfile.ZIP_DEFLATED
            info.external_attr = mode << 16
            made.writestr(info, held)
    return data.getvalue()


def tarred(*parts: tuple[str, bytes], kind: bytes = tarfile.REGTYPE, link: str = "") -> bytes:
    data = io.BytesIO()
    with tarfile.open(fileobj=data, mode="w") as made:
        for name, held in parts:
            info = tarfile.TarInfo(name)
            info.type, info.linkname, info.size = kind, link, len(held)
            made.addfile(info, io.BytesIO(held))
    return data.getvalue()


TWO: Final = (("readme.txt", b"read me"), ("larch/main.bin", b"\x00" * 99))
SOUND: Final[dict[str, tuple[bytes, Kind]]] = {
    "zip": (zipped(*TWO), Kind.ZIP),
    "tar": (tarred(*TWO), Kind.TAR),
    "tar.gz": (gzip.compress(tarred(*TWO)), Kind.TAR),
    "tar.bz2": (bz2.compress(tarred(*TWO)), Kind.TAR),
}


def bomb() -> bytes:
    return zipped(("zeros", b"\x00" * 50_000_000))


def overlapping() -> bytes:
    """Two entries of the directory lead to one part, as in a quoted-overlap bomb."""
    data = bytearray(zipped(("a", random.Random(7).randbytes(400)), ("b", b"x" * 400)))
    second = data.rfind(b"PK\x01\x02")
    struct.pack_into("<I", data, second + 42, 4)
    return bytes(data)


def encrypted() -> bytes:
    data = bytearray(zipped(("a", b"x")))
    at = data.rfind(b"PK\x01\x02")
    struct.pack_into("<H", data, at + 8, 1)
    return bytes(data)


def long_header() -> bytes:
    """A pax header that says it is 1 GiB long, in a few octets of gzip."""
    info = tarfile.TarInfo("x")
    info.type, info.size = tarfile.XHDTYPE, 1024**3
    return gzip.compress(info.tobuf(tarfile.USTAR_FORMAT) + bytes(1024 * 64))
