"""What is big or endless is given up early: neither memory nor time grows with it."""

from __future__ import annotations

import struct
import tracemalloc
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import pytest

from poller.model import limits
from poller.model.pattern_ways import Unbounded, ways
from poller.model.problems import Faulty
from poller.reading.decode import Image, decode_nameplate, decode_status
from poller.reading.frames import FrameReader, adu
from poller.reading.read_plan import compile_map
from poller.site.load import load_map, load_site
from poller.site.register_map import RegisterMap
from tests.simulator.layouts import layout

MB = 1024 * 1024
FEW = 2_000  # entries, in place of limits.YAML_ENTRIES_MAX, to keep the tests short
FEW_MB = 20  # of FEW entries, each at fault in five ways


@contextmanager
def at_most(megabytes: int) -> Iterator[None]:
    """Python's own memory; the machine's speed has no say in it."""
    tracemalloc.start()
    try:
        yield
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < megabytes * MB, f"{peak // MB} MB"


def _map(text: str) -> None:
    load_map(text, "map.yaml")


def _site(text: str) -> None:
    load_site("site.yaml", lambda path: text)


BIG: dict[str, tuple[Callable[[str], None], str]] = {
    "relays": (_site, "relays: [" + "{}," * (MB // 3) + "]"),
    "keys": (_map, "\n".join(f"key{at}: 1" for at in range(MB // 10))),
    "lists": (_map, "[" * MB),
    "a tag": (_map, "!" + "a" * MB),
}


@pytest.mark.parametrize("name", BIG)
def test_a_big_file_is_refused_before_it_fills_the_memory(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    load, text = BIG[name]
    monkeypatch.setattr(limits, "YAML_ENTRIES_MAX", FEW)
    with at_most(FEW_MB), pytest.raises(Faulty):
        load(text)


def test_as_many_faults_as_fit_are_told_in_little() -> None:
    text = "relays: [" + "{}," * FEW + "]"
    with at_most(FEW_MB), pytest.raises(Faulty) as faulty:
        _site(text)
    assert len(faulty.value.problems) == limits.PROBLEMS_MAX
    assert len(str(faulty.value)) < limits.PROBLEMS_MAX * 4 * limits.PROBLEM_TEXT_MAX


def test_a_stream_of_frames_is_not_kept() -> None:
    frame = adu(1, 255, bytes(limits.PDU_BYTES_MAX))
    reader = FrameReader()
    with at_most(2):
        for _ in range(20_000):
            reader.feed(frame)


# pattern ; ways, worked by hand
WAYS = r"""
[0-9]+\.[0-9]+     ; 1        # a dot is no digit
[0-9]+[0-9]+       ; 64       # 1 to 64 digits may be the first one's
\w*\d              ; 65
(?:a|b)c           ; 1
(?:a|ab)c          ; 1        # told apart behind the a that they share
(?:ab|[ac]b)c      ; 2
(|a)(|a)b          ; 2        # the second is decided by the b behind it
a?a?a              ; 4
(?:a?){2}          ; unbounded
(?=a)a             ; unbounded
(a)\1              ; unbounded
"""


@pytest.mark.parametrize("line", WAYS.strip().splitlines())
def test_the_ways_of_a_pattern(line: str) -> None:
    pattern, expected = (part.strip() for part in line.split("#", maxsplit=1)[0].split(";"))
    try:
        found = str(ways(pattern))
    except Unbounded:
        found = "unbounded"
    assert found == expected


def scaled(**field: object) -> RegisterMap:
    return layout(status={"free_memory_kb": {"table": "holding", "address": 10, **field}})


def test_a_value_beyond_every_number_is_bad_and_no_failure() -> None:
    compiled = compile_map(scaled(type="f64", scale=1e308, offset=0.1))
    raw = struct.unpack(">4H", struct.pack(">d", 1e300))
    seen = Image(words={("holding", 10 + at): word for at, word in enumerate(raw)}, objects={})
    told = decode_status(compiled, seen)
    assert told.bad == ("free_memory_kb",)
    assert told.implausible[0].reason == "too big for a number"
    assert decode_nameplate(compiled, seen).nameplate.swRev is None
