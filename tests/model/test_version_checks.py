"""Against published orders and other people's comparators.

Lists: checks/version_order_vectors.json, from SemVer 2.0.0 clause 11, Debian Policy 5.6.12 and
PEP 440; each names its source. Where a scheme claims a text, it must agree with the list; where it
does not, it must say so.
"""

from __future__ import annotations

import functools
import itertools
import json
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import packaging.version
import pytest
import semver
from debian.debian_support import Version as DebianVersion
from hypothesis import given, settings
from hypothesis import strategies as st

from poller.model.events import Order
from poller.model.firmware_version import order, readable
from tests.model.schemes import DOTTED, SCHEMES

CHECKS = Path(__file__).parent.parent / "checks" / "version_order_vectors.json"
LISTS = json.loads(CHECKS.read_text())
SAYS = {-1: Order.NEWER, 0: Order.TEXT_ONLY, 1: Order.OLDER}  # of b, by the sign of a against b

# By eye, from the lists: all that is an optional v and integers by dots. Everything else is
# somebody else's grammar.
CLAIMED = {
    "0.9", "1.0", "1.0.0", "1.0.1", "1.0.15", "1.01", "1.1", "1.10", "1.2.3", "2.0", "2.0.0",
    "2.1.0", "2.1.1", "2.11", "V1.02.003", "v2.11",
}  # fmt: skip


def pairs() -> Iterator[tuple[str, str, str, Order]]:
    """(source, a, b, what the source says of b against a)."""
    for source in ("semver", "debian", "pep440"):
        for ascending in LISTS[source]["ascending"]:
            for a, b in itertools.combinations(ascending, 2):
                yield source, a, b, Order.NEWER
                yield source, b, a, Order.OLDER
        for a, b in LISTS[source].get("equal", []):
            yield source, a, b, Order.TEXT_ONLY


PAIRS = sorted(set(pairs()))
AGREED = [pair for pair in PAIRS if {pair[1], pair[2]} <= CLAIMED]
FOREIGN = [pair for pair in PAIRS if not {pair[1], pair[2]} <= CLAIMED]


@pytest.mark.parametrize(("source", "a", "b", "says"), AGREED)
def test_what_dotted_claims_it_orders_as_the_list_does(
    source: str, a: str, b: str, says: Order
) -> None:
    assert order(a, b, DOTTED) is says


def test_the_lists_hold_texts_of_both_sorts() -> None:
    # 12 of SemVer, 30 and 1 of Debian, 2 and 2 of PEP 440; as counted by hand
    assert (len(AGREED), len(FOREIGN)) == (47, 476)


@pytest.mark.parametrize("scheme", ["dotted", "packs"])
def test_what_is_not_claimed_is_never_ordered(scheme: str) -> None:
    answers = {(a, b): order(a, b, SCHEMES[scheme]) for _, a, b, _ in FOREIGN}
    assert {pair for pair in answers if answers[pair] is not Order.NOT_COMPARABLE} == set()


@pytest.mark.parametrize("scheme", ["letters", "release"])
def test_letters_and_patterns_claim_nothing_of_these_lists(scheme: str) -> None:
    texts = {text for _, a, b, _ in PAIRS for text in (a, b)}
    assert {text for text in texts if readable(text, SCHEMES[scheme])} == set()


@pytest.mark.parametrize("row", LISTS["fit_checked_here"], ids=lambda row: row["string"])
def test_texts_that_a_general_comparator_gets_wrong_have_a_scheme_or_none(
    row: dict[str, str],
) -> None:
    readers: dict[str, set[str]] = {
        "V1.02.003": {"dotted", "packs"},
        "Rev B": {"letters"},
        "5.1 FP2 HF3": set(),  # feature packs: a pattern's business
        "7.30": {"dotted", "packs"},
    }
    text = row["string"]
    assert {name for name in SCHEMES if readable(text, SCHEMES[name])} == readers[text]


# Oracles. The program's own comparators only; they order dotted integers, as we do.

small = st.integers(0, 30)
big = st.integers(0, 10**9)
parts = st.lists(small | big, min_size=1, max_size=5)


def dotted(numbers: list[int]) -> str:
    return ".".join(map(str, numbers))


def sign(a: object, b: object) -> int:
    return (a > b) - (a < b)  # type: ignore[operator]


def expected(a: str, b: str, compared: int) -> Order:
    return Order.SAME if a == b else SAYS[compared]


@given(parts, parts)
def test_packaging_agrees_on_dots_of_any_length(a: list[int], b: list[int]) -> None:
    """PEP 440 takes missing last parts for zero too."""
    one, other = dotted(a), dotted(b)
    compared = sign(packaging.version.Version(one), packaging.version.Version(other))
    assert order(one, other, DOTTED) is expected(one, other, compared)


@given(parts, parts, st.sampled_from(["", "v", "V"]))
def test_packaging_agrees_on_prefix_and_leading_zeros(
    a: list[int], b: list[int], prefix: str
) -> None:
    one = prefix + ".".join(f"{n:03}" for n in a)
    other = dotted(b)
    compared = sign(packaging.version.Version(one), packaging.version.Version(other))
    assert order(one, other, DOTTED) is expected(one, other, compared)


triples = st.tuples(small | big, small | big, small | big).map(list)


@given(triples, triples)
def test_semver_agrees_on_three_numbers(a: list[int], b: list[int]) -> None:
    one, other = dotted(a), dotted(b)
    compared = semver.Version.parse(one).compare(other)
    assert order(one, other, DOTTED) is expected(one, other, compared)


def same_length(lists: tuple[list[int], list[int]]) -> tuple[list[int], list[int]]:
    """To Debian 1.0.0 is above 1.0; that is another order, so both are as long."""
    length = min(map(len, lists))
    return lists[0][:length], lists[1][:length]


@given(st.tuples(parts, parts).map(same_length))
def test_python_debian_agrees_on_as_many_numbers(lists: tuple[list[int], list[int]]) -> None:
    one, other = map(dotted, lists)
    compared = sign(DebianVersion(one), DebianVersion(other))
    assert order(one, other, DOTTED) is expected(one, other, compared)


@functools.cache
def dpkg(a: str, relation: str, b: str) -> bool:
    command = ["dpkg", "--compare-versions", a, relation, b]
    return subprocess.run(command, check=False, timeout=20).returncode == 0


@pytest.mark.skipif(shutil.which("dpkg") is None, reason="no dpkg on this computer")
@settings(max_examples=25, deadline=None)
@given(st.tuples(parts, parts).map(same_length))
def test_dpkg_agrees_on_as_many_numbers(lists: tuple[list[int], list[int]]) -> None:
    one, other = map(dotted, lists)
    compared = -1 if dpkg(one, "lt", other) else 1 if dpkg(one, "gt", other) else 0
    assert order(one, other, DOTTED) is expected(one, other, compared)
