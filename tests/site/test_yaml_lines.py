"""YAML to plain values: what each spelling means, where it stands, and nothing else comes out."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from poller.model import limits
from poller.model.problems import Faulty
from poller.site.yaml_lines import Lined, read

# Source: YAML 1.2.2, 10.3.2 (core schema), less octal, .inf, .nan and other spellings of null.
SCALARS: list[tuple[str, Any]] = [
    ("text", "text"),
    ("two words", "two words"),
    ("12", 12),
    ("-12", -12),
    ("+12", 12),
    ("012", 12),
    ("0x1F", 31),
    ("0x1f", 31),
    ("1.5", 1.5),
    ("-1.", -1.0),
    (".5", 0.5),
    ("1e3", 1000.0),
    ("1.5E-2", 0.015),
    ("1e400", "1e400"),  # no number that a computer holds
    ("1_000", "1_000"),
    ("0o17", "0o17"),
    ("1:30", "1:30"),
    (".inf", ".inf"),
    (".nan", ".nan"),
    ("true", True),
    ("False", False),
    ("yes", "yes"),
    ("no", "no"),
    ("on", "on"),
    ("off", "off"),
    ("null", None),
    ("~", None),
    ("", None),
    ("2026-11-05", "2026-11-05"),
    ("3.10.0", "3.10.0"),
    ('"12"', "12"),
    ("'true'", "true"),
    ("''", ""),
    ("1" * 40, int("1" * 40)),
    ("1" * 41, "1" * 41),  # no address, no count
]


@pytest.mark.parametrize(("text", "value"), SCALARS, ids=[repr(text)[:20] for text, _ in SCALARS])
def test_a_scalar_is_read_as_the_core_schema_has_it(text: str, value: Any) -> None:
    found = read(f"key: {text}\n", "a.yaml").value["key"]
    assert (type(found), found) == (type(value), value)


# Text, code and line of what is no plain YAML.
REFUSED: dict[str, tuple[str, str, int | None]] = {
    "a bracket left open": ("a: [1, 2\nb: 3\n", "yaml-unreadable", 2),
    "a quote left open": ('a: "1\nb: 3\n', "yaml-unreadable", 3),
    "a tab": ("a:\n\tb: 1\n", "yaml-unreadable", 2),
    "a control character": ("a: \x07\n", "yaml-unreadable", None),
    "an anchor": ("a: 1\nb: &x 2\n", "yaml-not-plain", 2),
    "an anchor at the top": ("&x\na: 1\n", "yaml-not-plain", 1),
    "an alias": ("a: 1\nb: *x\n", "yaml-not-plain", 2),
    "a tag": ("a: !!str 1\n", "yaml-not-plain", 1),
    "a tag that asks for an object": ("a: !!python/name:os.system\n", "yaml-not-plain", 1),
    "a tag at the top": ("!!map\na: 1\n", "yaml-not-plain", 1),
    "a second document": ("a: 1\n---\nb: 2\n", "yaml-not-plain", 2),
    "a key twice": ("a: 1\nb: 2\na: 3\n", "yaml-key-twice", 3),
    "a key twice in other spelling": ("1: a\n0x1: b\n", "yaml-key-twice", 2),
    "a key that is true": ("true: 1\n", "yaml-key", 1),
    "a key that is a fraction": ("1.5: 1\n", "yaml-key", 1),
    "a key that is null": ("~: 1\n", "yaml-key", 1),
    "a key that is a list": ("? [a]\n: 1\n", "yaml-key", 1),
    "a key that is a map": ("? {a: 1}\n: 1\n", "yaml-key", 1),
    "too deep": ("a: " + "[" * 30 + "]" * 30, "yaml-too-deep", 1),
    "too deep in a key": ("? " + "[" * 30 + "]" * 30 + "\n: 1", "yaml-too-deep", 1),
}


@pytest.mark.parametrize("what", REFUSED)
def test_what_is_not_plain_is_refused_with_its_line(what: str) -> None:
    text, code, line = REFUSED[what]
    with pytest.raises(Faulty) as faulty:
        read(text, "a.yaml")
    assert [(one.code, one.line) for one in faulty.value.problems] == [(code, line)]


def test_all_keys_that_stand_twice_are_told_at_once() -> None:
    with pytest.raises(Faulty) as faulty:
        read("a: 1\na: 2\nb: {c: 1, c: 2}\n", "a.yaml")
    assert [one.line for one in faulty.value.problems] == [2, 3]


def test_more_faults_than_anybody_reads_are_cut() -> None:
    with pytest.raises(Faulty) as faulty:
        read("a: 1\n" * 1_000, "a.yaml")
    assert len(faulty.value.problems) == limits.PROBLEMS_MAX


def test_yaml_has_as_many_levels_as_the_bound_says_and_no_more() -> None:
    most = limits.YAML_DEPTH_MAX
    read("[" * most + "]" * most, "a.yaml")
    with pytest.raises(Faulty, match="yaml-too-deep"):
        read("[" * (most + 1) + "]" * (most + 1), "a.yaml")


@pytest.mark.parametrize("text", ["", "\n", "# only this\n", "---\n"])
def test_nothing_is_none(text: str) -> None:
    assert read(text, "a.yaml").value is None


def test_a_file_that_marks_its_byte_order_is_read_as_any_other() -> None:
    assert read("\ufeffa: 1\n", "a.yaml").value == {"a": 1}


LINED = """\
# a comment
a: 1
relays:
  - {id: q1,
     host: h}
  - id: q2
    maps:
      - larch
      - pike
0x10: |
  text
"""
LINES = [
    (("a",), 2),
    (("relays",), 3),
    (("relays", 0), 4),
    (("relays", 0, "host"), 5),
    (("relays", 1), 6),
    (("relays", 1, "maps"), 7),
    (("relays", 1, "maps", 1), 9),
    ((16,), 10),
    (("relays", 1, "port"), 6),  # missing: what stands around it
    (("relays", 1, "intervals", "status_s"), 6),
]


@pytest.mark.parametrize(("path", "line"), LINES, ids=[str(path) for path, _ in LINES])
def test_a_path_has_its_line(path: tuple[str | int, ...], line: int) -> None:
    assert read(LINED, "a.yaml").line(path) == line


SPELLED = [
    (("a",), "a"),
    (("relays", 0, "host"), "relays[q1].host"),
    (("relays", 1, "maps", 1), "relays[q2].maps[1]"),
    (("relays", 7, "maps"), "relays[7].maps"),
    ((16,), "16"),
]


@pytest.mark.parametrize(("path", "text"), SPELLED)
def test_a_path_is_spelled_for_people(path: tuple[str | int, ...], text: str) -> None:
    assert read(LINED, "a.yaml").spelled(path) == text


# Properties. Text made of what YAML gives a meaning to finds more than text of anything.
PIECES = st.sampled_from(
    [*"[]{}:,-?&*!|>'\"%@`#~\n\t ", "\n  ", ": ", "- ", "? ", "---\n", "...\n", "<<: ", "a", "1",
     "0x", "1.5", "true", "null", "!!int ", "&a ", "*a ", "\\u0000", "\\x", "\x00", "\ufeff",
     "\u2028", "é", "\ud800", "%YAML 1.1\n", "1" * 50]
)  # fmt: skip


@given(st.one_of(st.text(), st.lists(PIECES, max_size=40).map("".join)))
def test_any_text_is_a_plain_value_or_told_as_faulty(text: str) -> None:
    found = _read(text)
    if isinstance(found, Faulty):
        assert 0 < len(found.problems) <= limits.PROBLEMS_MAX
    else:
        assert _plain(found.value, limits.YAML_DEPTH_MAX)


def _read(text: str) -> Lined | Faulty:
    try:
        return read(text, "a.yaml")
    except Faulty as faulty:
        return faulty


def _plain(value: object, levels: int) -> bool:
    if isinstance(value, dict):
        return levels > 0 and all(
            type(key) in (str, int) and _plain(one, levels - 1) for key, one in value.items()
        )
    if isinstance(value, list):
        return levels > 0 and all(_plain(one, levels - 1) for one in value)
    if isinstance(value, float):
        return math.isfinite(value)
    return type(value) in (str, int, bool, type(None))


@given(st.one_of(st.text(), st.lists(PIECES, max_size=40).map("".join)))
def test_every_line_lies_in_the_text(text: str) -> None:
    found = _read(text)
    if isinstance(found, Faulty):
        lines = [one.line for one in found.problems if one.line is not None]
    else:
        lines = list(found.lines.values())
    assert all(1 <= line <= len(text.splitlines()) + 1 for line in lines)


# Without pairs of surrogates, which JSON escapes and YAML does not join.
TEXT = st.text(st.characters(max_codepoint=0xFFFF, exclude_categories=["Cs"]))
# a key beside its value has 1,024 characters at most (YAML 1.2.2, 7.4.2); escaped, six for one
KEY = st.text(st.characters(max_codepoint=0xFFFF, exclude_categories=["Cs"]), max_size=150)
JSON = st.recursive(
    st.none() | st.booleans() | st.integers(-(10**20), 10**20) | TEXT,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(KEY, inner, max_size=4),
    max_leaves=12,
)


@given(JSON)
def test_json_is_read_as_itself(value: Any) -> None:
    assert read(json.dumps(value), "a.json").value == value
