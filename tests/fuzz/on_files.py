"""What people write: register maps, site files, version patterns; and versions as read."""

from __future__ import annotations

import itertools
import re
import time
import unicodedata
from collections.abc import Callable
from functools import cache
from typing import Any, Final, cast

from poller.model import limits, version_pattern
from poller.model.canonical import encode
from poller.model.events import Order
from poller.model.firmware_version import key, normal, order, readable
from poller.model.problem_codes import CODES
from poller.model.problems import Faulty, Problem
from poller.reading.decode import Image
from poller.reading.exchange import Refused, reply_octets
from poller.reading.read_plan import Pass, compile_map
from poller.reading.run import run
from poller.site.load import load_map, load_site
from poller.site.register_map import (
    Dotted,
    DottedServicePack,
    Pattern,
    RegisterMap,
    RevisionLetters,
    VersionScheme,
)
from poller.site.settings import Site
from tests.fuzz.families import ROOT, texts
from tests.fuzz.octets import Octets
from tests.fuzz.on_wire import read_back

PROBLEM_MAX: Final = 3_000  # characters of one problem, its mend with the keys known there
READ_S: Final = 30.0  # of an input of a few thousand octets; a machine may be slow
MATCH_S: Final = 5.0  # of one version of 64 characters
MAP_BESIDE: Final = b"\n%%% map\n"  # in an input: a site, this line, and the map `own`


def map_file(data: bytes) -> None:
    """Any octets as a map: a map that can be read with, or problems."""
    begun = time.perf_counter()
    try:
        one = load_map(data.decode("utf-8", "surrogateescape"), "map.yaml")
    except Faulty as faulty:
        told(faulty, data)
    else:
        usable(one)
    assert time.perf_counter() - begun < READ_S, "takes too long"


def site_file(data: bytes) -> None:
    """Any octets as a site, the map `own` of the same input beside those that ship."""
    site, _, own = data.partition(MAP_BESIDE)
    files = {f"maps/{name}.yaml": text for name, text in texts().items()} | beside()

    def read(path: str) -> str:
        if path == "site.yaml":
            return site.decode()
        if path == "maps/own.yaml":
            return own.decode()
        if path not in files:
            raise FileNotFoundError(2, "No such file or directory", path)
        return files[path]

    begun = time.perf_counter()
    try:
        found = load_site("site.yaml", read)
    except Faulty as faulty:
        told(faulty, data)
    else:
        _whole(found)
    assert time.perf_counter() - begun < READ_S, "takes too long"


@cache
def beside() -> dict[str, str]:
    """The other files that a site may name, as they ship."""
    names = ("approved.yaml", "alarms.yaml", "advisories.yaml")
    return {name: (ROOT / "config" / name).read_text(encoding="utf-8") for name in names}


def _whole(site: Site) -> None:
    assert site.file.relays
    encode(site.texts)
    for relay in site.file.relays:
        assert set(relay.maps) <= site.maps.keys()
        assert site.relay(relay.id) is not None


def told(faulty: Faulty, data: bytes) -> None:
    """Every problem has a code, a place and a mend, on lines that a terminal can show."""
    assert 0 < len(faulty.problems) <= limits.PROBLEMS_MAX
    lines = 2 + sum(data.count(mark) for mark in (b"\n", b"\r", b"\xc2\x85", b"\xe2\x80"))
    for one in faulty.problems:
        one_told(one, lines)


def one_told(one: Problem, lines: int) -> None:
    assert one.code in CODES
    assert all((one.file, one.what, one.mend))
    assert one.line is None or 1 <= one.line <= lines, f"line {one.line} of {lines}"
    text = str(one)
    assert len(text) <= PROBLEM_MAX, f"a problem of {len(text)} characters"
    assert text.count("\n") == 1
    assert harmless(text.replace("\n", "")), f"{text!a}"


def harmless(line: str) -> bool:
    """A wide or narrow space is not called printable, and does no harm."""
    return all(one.isprintable() or unicodedata.category(one) == "Zs" for one in line)


def usable(one: RegisterMap) -> None:
    """A map without faults can be asked with and decoded with, whatever the relay holds."""
    compiled = compile_map(one)
    for pass_ in (compiled.identity, compiled.nameplate, compiled.status):
        _refused_throughout(pass_)
    for octets in (b"\0", b"\xff", b"\x80\x01", b"1.2", b"\x00\x07\xff\xf0\x7f"):
        seen = Image(words=_words(compiled, octets), objects=dict.fromkeys(range(256), octets))
        read_back(compiled, seen)


def _words(compiled: Any, octets: bytes) -> dict[Any, int]:
    found: dict[Any, int] = {}
    turned = itertools.cycle(octets)
    for pass_ in (compiled.identity, compiled.nameplate, compiled.status):
        for request in pass_.requests:
            bit = request.table in ("coil", "discrete")
            for at in range(request.address, request.address + request.count):
                word = next(turned) << 8 | next(turned)
                found[request.table, at] = word & 1 if bit else word
            assert reply_octets(request) <= limits.PDU_BYTES_MAX - 2
    return found


def _refused_throughout(pass_: Pass) -> None:
    asking, answer = run(pass_), None
    for _ in range(len(pass_.requests) + len(pass_.spans) + 258):
        try:
            asking.send(answer)  # type: ignore[arg-type] # None begins a generator
        except StopIteration:
            return
        answer = Refused(code=2)
    raise AssertionError("asks without end")


SCHEMES: Final[tuple[VersionScheme, ...]] = (
    Dotted(kind="dotted"),
    DottedServicePack(kind="dotted_service_pack"),
    RevisionLetters(kind="revision_letters"),
    Pattern(
        kind="pattern",
        pattern=r"[vV]?(?P<a>\d+)(?:[.-](?P<b>\w*))?(?: ?SP(?P<c>\d+))?",
        order=("a", "b", "c"),
    ),
)
OPPOSITE: Final = {Order.NEWER: Order.OLDER, Order.OLDER: Order.NEWER}
AT_LEAST: Final = (Order.NEWER, Order.SAME, Order.TEXT_ONLY)


def versions(data: bytes) -> None:
    """Three texts under one scheme: read or not, and in an order that holds together."""
    given = Octets(data)
    scheme = given.pick(SCHEMES)
    found = given.rest().decode("utf-8", "surrogateescape").split("\n")[:3]
    found += [""] * (3 - len(found))
    for a, b in itertools.product(found, repeat=2):
        there, back = order(a, b, scheme), order(b, a, scheme)
        assert back is OPPOSITE.get(there, there), f"{a!a} {b!a}: {there} and back {back}"
        assert (there is Order.SAME) == (a == b)
        if there is Order.TEXT_ONLY:
            assert key(a, scheme) == key(b, scheme)
    a, b, c = found
    one, two = order(a, b, scheme), order(b, c, scheme)
    if one in AT_LEAST and two in AT_LEAST:
        through = order(a, c, scheme)
        allowed = AT_LEAST if Order.NEWER not in (one, two) else (Order.NEWER, NOT)
        assert through in (*allowed, NOT), f"{found!a}: {one}, {two}, {through}"
    for text in found:
        plainest = normal(text, scheme)
        assert (plainest is not None) == readable(text, scheme)
        if plainest is not None:
            assert key(plainest, scheme) == key(text, scheme)
        assert not readable(text, scheme) or len(text) <= limits.VERSION_TEXT_MAX


NOT: Final = Order.NOT_COMPARABLE
ASTRAY: Final = ("a" * 63 + "!", "1" * 63 + "!", "aA1" * 21 + "\n", "-" * 63 + "!", "." * 64)


def pattern(data: bytes) -> None:
    """A version pattern, and texts that lead it astray: refused, or quick whatever it meets."""
    wild, _, text = data.decode("utf-8", "surrogateescape").partition("\n")
    wild = wild[: limits.VERSION_PATTERN_MAX]
    order_of = tuple(re.findall(r"\?P<(\w+)>", wild, re.ASCII)[:8]) or ("a",)
    if version_pattern.faults(wild, order_of):
        return
    scheme = cast(VersionScheme, _Pattern(wild, order_of))
    for one in (text[: limits.VERSION_TEXT_MAX], *ASTRAY):
        begun = time.process_time()
        key(one, scheme)
        assert time.process_time() - begun < MATCH_S, f"{wild!a} goes astray on {one!a}"


class _Pattern:
    kind: Final = "pattern"

    def __init__(self, wild: str, order_of: tuple[str, ...]) -> None:
        self.pattern, self.order = wild, order_of


TARGETS: Final[dict[str, Callable[[bytes], None]]] = {
    "map_file": map_file,
    "site_file": site_file,
    "versions": versions,
    "pattern": pattern,
}
