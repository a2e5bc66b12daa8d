"""Documents that can't be used: each says what is wrong, where, and what to do.

broken/NAME.json is read as a document; NAME.txt is all that is said of it. Sources: CSAF 2.0, its
JSON schema and tests 6.1.1 to 6.1.5, which the names of the files carry; RFC 8259.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from poller.model import limits
from poller.model.problems import Faulty
from poller.planning.csaf import newest, read
from tests.planning.documents import advisory, document, larch, version, vulnerability

BROKEN = Path(__file__).parent / "broken"
NAMES = sorted(path.stem for path in BROKEN.glob("*.json"))
SOUND = document({"branches": [larch(version("5.1"))]}, vulnerability(known_affected=["P"]))


def said(data: bytes, file: str = "a.json") -> str:
    with pytest.raises(Faulty) as faulty:
        read(data, file)
    return str(faulty.value) + "\n"


@pytest.mark.parametrize("name", NAMES)
def test_a_broken_document_says_what_where_and_what_to_do(name: str) -> None:
    path = BROKEN / f"{name}.json"
    assert said(path.read_bytes(), path.name) == (BROKEN / f"{name}.txt").read_text()


@pytest.mark.parametrize(
    ("bound", "value"),
    [("CSAF_BYTES_MAX", 100), ("CSAF_DEPTH_MAX", 4), ("CSAF_PRODUCTS_MAX", 0)],
)
def test_a_document_is_bounded(bound: str, value: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(limits, bound, value)
    assert "[advisory-too-big]" in said(json.dumps(SOUND).encode())


def test_a_document_far_too_deep_ends_nothing() -> None:
    assert "[advisory-unreadable]" in said(b"[" * 200_000 + b"]" * 200_000)


def test_octets_that_are_no_text_are_told() -> None:
    assert "[advisory-unreadable]" in said(b"\xff\xfe{}")


def test_relationships_in_one_another_are_bounded() -> None:
    """Each would double what is looked at."""
    bonds = [
        {
            "category": "installed_with",
            "full_product_name": {"name": "both", "product_id": f"R{number + 1}"},
            "product_reference": f"R{number}" if number else "P",
            "relates_to_product_reference": f"R{number}" if number else "P",
        }
        for number in range(40)
    ]
    tree = {"branches": [larch(version("5.1"))], "relationships": bonds}
    assert "[advisory-circle]" in said(json.dumps(document(tree)).encode())


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=9),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=9), inner),
    max_leaves=9,
)


@given(st.data())
def test_a_value_of_any_kind_anywhere_is_taken_or_refused(data: st.DataObject) -> None:
    """Nothing but Faulty comes of a document in which one value was exchanged."""
    given = json.loads(json.dumps(SOUND))
    place: Any = given
    while True:
        keys = list(place) if isinstance(place, dict) else list(range(len(place)))
        key = data.draw(st.sampled_from(keys))
        inner = place[key]
        if not isinstance(inner, dict | list) or not inner or data.draw(st.booleans()):
            break
        place = inner
    place[key] = data.draw(json_values)
    try:
        told: tuple[object, ...] = (read(json.dumps(given).encode(), "a.json"),)
    except Faulty as faulty:
        told = faulty.problems
    assert told


def test_of_several_versions_of_a_document_the_one_released_last_counts() -> None:
    tree = {"branches": [larch(version("5.1"))]}
    given = [
        advisory(document(tree, current_release_date=date), file)
        for date, file in (
            ("2026-04-01T01:00:00+02:00", "a.json"),  # before b, though its text sorts behind it
            ("2026-04-01T00:00:00Z", "b.json"),
            ("some day", "c.json"),
        )
    ]
    other = advisory(document(tree, id="TW-2026-005"), "d.json")
    assert [one.file for one in newest([*given, other])] == ["b.json", "d.json"]
