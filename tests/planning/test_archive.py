"""Archives made hostile on purpose: each shows itself by its directory, and none is unpacked.

Sources: APPNOTE.TXT of the ZIP format, 4.3; POSIX.1-2001 (ustar, pax).
"""

from __future__ import annotations

import gzip
import io
import stat
import struct
import tarfile
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from poller.model import limits
from poller.planning.archive import Kind, Listing, leads_out, listing
from tests.planning.archives import (
    SOUND,
    TWO,
    bomb,
    encrypted,
    long_header,
    overlapping,
    tarred,
    zipped,
)


def listed(data: bytes) -> Listing:
    return listing(io.BytesIO(data), len(data))


@pytest.mark.parametrize("name", SOUND)
def test_a_sound_archive_is_listed_with_the_sizes_of_its_parts(name: str) -> None:
    data, kind = SOUND[name]
    found = listed(data)
    assert (found.kind, found.against) == (kind, ())
    assert [(part.name, part.size) for part in found.parts] == [
        ("readme.txt", 7),
        ("larch/main.bin", 99),
    ]


def test_what_is_no_archive_is_said_to_be_none() -> None:
    assert listed(b"\x7fELF and so on") == Listing(kind=Kind.NONE, parts=(), against=())


OUT = ["../x", "a/../../x", "/etc/x", "\\windows\\x", "C:\\x", "c:x", "a\\..\\..\\x"]
WITHIN = ["a/b", "a..b/c", "..a", "a/b..", "ab:c/d"]


@pytest.mark.parametrize("name", OUT)
def test_a_name_that_leads_out_is_known(name: str) -> None:
    assert leads_out(name)


@pytest.mark.parametrize("name", WITHIN)
def test_a_name_that_stays_within_is_let_be(name: str) -> None:
    assert not leads_out(name)


HOSTILE: dict[str, tuple[Callable[[], bytes], str]] = {
    "zip, leads out": (lambda: zipped(("../x", b"")), "../x would be unpacked outside its folder"),
    "tar, leads out": (lambda: tarred(("/x", b"")), "/x would be unpacked outside its folder"),
    "zip, no name": (lambda: zipped(("", b"")), "a part of it has no name"),
    "zip, a link": (lambda: zipped(("x", b"/etc"), mode=stat.S_IFLNK | 0o777), "x is a link, and"),
    "tar, a link out": (
        lambda: tarred(("x", b""), kind=tarfile.SYMTYPE, link="../../etc"),
        "x is a link to ../../etc, outside its folder",
    ),
    "tar, a device": (lambda: tarred(("x", b""), kind=tarfile.BLKTYPE), "x is no file"),
    "a name twice": (lambda: tarred(("x", b"1"), ("X", b"2")), "X stands in it twice"),
    "a name that turns text": (lambda: tarred(("a\u202eb", b"")), "a\\u202eb has characters that"),
    "zip bomb": (bomb, "it unpacks to more than any package"),
    "tar bomb": (
        lambda: gzip.compress(tarred(("zeros", b"\x00" * 50_000_000)), 9),
        "it unpacks to more than any package",
    ),
    "overlapping parts": (overlapping, "parts of it share octets"),
    "encrypted": (encrypted, "parts of it are encrypted"),
    "cut off": (lambda: zipped(*TWO)[:-30], "it was cut off"),
    "a tar that is cut off": (lambda: tarred(*TWO)[:700], "can't be read as an archive"),
    "a gzip that is damaged": (lambda: gzip.compress(tarred(*TWO))[:60], "can't be read as an"),
    "a header of a GiB": (long_header, "one of its headers is said to be 1,073,741,"),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_archive_shows_itself(name: str) -> None:
    made, says = HOSTILE[name]
    found = listed(made())
    assert any(says in one for one in found.against), found.against


def test_a_link_within_is_let_be() -> None:
    assert listed(tarred(("x", b""), kind=tarfile.SYMTYPE, link="y")).against == ()


@pytest.mark.parametrize("made", [zipped, tarred])
def test_the_parts_of_an_archive_are_bounded(
    made: Callable[..., bytes], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(limits, "ARCHIVE_ENTRIES_MAX", 1)
    assert "it holds more than 1 parts" in listed(made(*TWO)).against


def test_a_directory_is_not_read_where_it_says_that_it_is_huge() -> None:
    data = bytearray(zipped(*TWO))
    at = data.rfind(b"PK\x05\x06")
    struct.pack_into("<I", data, at + 12, 2**31)
    assert listed(bytes(data)).against == ("its directory is said to be 2,147,483,648 octets long",)


@given(st.sampled_from(sorted(SOUND)), st.integers(0, 10_000), st.integers(0, 255))
def test_an_octet_that_changed_ends_nothing(name: str, at: int, octet: int) -> None:
    data = bytearray(SOUND[name][0])
    data[at % len(data)] = octet
    found = listed(bytes(data))
    assert len(found.against) <= limits.AGAINST_MAX
