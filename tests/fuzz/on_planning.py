"""What the year of updates is planned from: advisories, ranges, packages, families, outages."""

from __future__ import annotations

import io
import json
import ntpath
import posixpath
import time
from collections.abc import Callable
from typing import Final
from urllib.parse import quote

from jsonpointer import resolve_pointer

from poller.answers.advisories import advisory_rows
from poller.model import limits, vers
from poller.model.canonical import plain
from poller.model.problems import Faulty
from poller.planning.advisories import held
from poller.planning.archive import listing
from poller.planning.csaf import newest, read
from poller.planning.outages.check import load_outages, times
from poller.site.load import load_families
from poller.site.register_map import VersionScheme
from tests.answers.world import STATE
from tests.fuzz.octets import Octets
from tests.fuzz.on_files import READ_S, SCHEMES, harmless, one_told, told
from tests.fuzz.on_talk import site
from tests.planning.documents import FAMILIES, box

BOXES: Final = (
    box(),
    box(swRev="4.2", serNum=None, orderCode=None),
    box(swRev=None, model="LARCH-87"),
)
SAID_MAX: Final = 2 * limits.SENTENCE_TEXT_MAX + 300  # of a range that is refused


def advisory(data: bytes) -> None:
    """A document: refused with problems, or held against boxes; what is told of it stands in it."""
    begun = time.perf_counter()
    try:
        one = read(data, "a.json")
    except Faulty as faulty:
        told(faulty, data)
        return
    document = json.loads(data.decode("utf-8-sig"))
    found = held(newest((one, one)), FAMILIES, BOXES)
    for problem in found.unusable:
        one_told(problem, 1)
    for row in advisory_rows(found, (), STATE):
        plain(row)
        resolve_pointer(document, row.path)  # RFC 6901, by another's reader
        resolve_pointer(document, row.product)
    assert time.perf_counter() - begun < READ_S, "takes too long"


def ranges(data: bytes) -> None:
    """A range and versions: refused in a sentence; else each bound lies where its sign says."""
    given = Octets(data)
    scheme = given.pick(SCHEMES)
    text, *versions = given.rest().decode("utf-8", "surrogateescape").split("\n")[:4]
    try:
        found = vers.parse(text, scheme)
    except vers.BadRange as reason:
        says = str(reason)
    else:
        _held(found, scheme, versions)
        return
    assert len(says) <= SAID_MAX
    assert harmless(says)


def _held(found: vers.Range, scheme: VersionScheme, versions: list[str]) -> None:
    for one in found.constraints:
        assert vers.contains(found, one.version, scheme) is (one.comparator in vers.INCLUSIVE)
    again = "|".join(one.comparator + quote(one.version, safe="") for one in found.constraints)
    assert vers.parse(f"vers:{found.type}/{again or '*'}", scheme) == found
    for version in versions:
        vers.contains(found, version, scheme)


def archive(data: bytes) -> None:
    """A package: listed within bounds, and never without a word where a part would lead out."""
    begun = time.perf_counter()
    found = listing(io.BytesIO(data), len(data))
    assert time.perf_counter() - begun < READ_S, "takes too long"
    assert len(found.parts) <= limits.ARCHIVE_ENTRIES_MAX
    assert len(found.against) <= limits.AGAINST_MAX
    assert all(map(harmless, found.against))
    outside = [one.name for one in found.parts if _outside(one.name)]
    assert found.against or not outside, outside


def _outside(name: str) -> bool:
    """As Python's own paths of both kinds of system have it."""
    posix = posixpath.normpath(posixpath.join("/f", name))
    windows = ntpath.normpath(ntpath.join("C:\\f", name))
    return not (f"{posix}/".startswith("/f/") and f"{windows}\\".startswith("C:\\f\\"))


def families_file(data: bytes) -> None:
    try:
        load_families(data.decode("utf-8", "surrogateescape"), "advisories.yaml")
    except Faulty as faulty:
        told(faulty, data)


def outages_file(data: bytes) -> None:
    """Windows of a site: what has no fault has times that can be worked with."""
    try:
        found = load_outages(data.decode("utf-8", "surrogateescape"), "outages.yaml", site())
    except Faulty as faulty:
        told(faulty, data)
        return
    for window in found.windows:
        start, end = times(window, found.zone)
        assert start < end


TARGETS: Final[dict[str, Callable[[bytes], None]]] = {
    "advisory": advisory,
    "ranges": ranges,
    "archive": archive,
    "families_file": families_file,
    "outages_file": outages_file,
}
