"""Patterns with * and ?: what they match, and whether two of them share a text."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from poller.site.globs import common, matches
from tests.site.test_any_file import FEW

MATCHES = """
LARCH-21   LARCH-*    yes
LARCH-     LARCH-*    yes
LARCH      LARCH-*    no
larch-21   LARCH-*    no     # upper and lower case apart
PK210      PK2?0      yes
PK20       PK2?0      no     # ? is one, never none
PK2110     PK2?0      no
A[1]       A[1]       yes    # a bracket is a bracket
A1         A[1]       no
A]         A[]]       no
!          [!a]       no
"""


@pytest.mark.parametrize("row", MATCHES.strip().splitlines())
def test_a_text_matches_or_not(row: str) -> None:
    text, pattern, answer = row.split("#", maxsplit=1)[0].split()
    assert matches(text, pattern) == (answer == "yes")


COMMON = """
LARCH-*      LARCH-21      LARCH-21
LARCH-*      PIKE-*        none
L*-2?        LARCH*1       LARCH-21
L21-?C-*     L21-4?-2E     L21-4C-2E
PK2?0        PK2?1         none
?            ??            none
*a           *b            none
a*           *b            ab
*            *             (empty)
?*           *             x
[ab]         a             none    # a bracket is a bracket
"""


@pytest.mark.parametrize("row", COMMON.strip().splitlines())
def test_the_shortest_text_that_two_patterns_share(row: str) -> None:
    one, other, text = row.split("#", maxsplit=1)[0].split()
    expected = {"none": None, "(empty)": ""}.get(text, text)
    assert common(one, other) == common(other, one) == expected


# Brute force: over two letters a shared text is no longer than the letters and ? of both together,
# since a * can always be left empty or take what the other pattern spells.
SHORT = st.text(alphabet="ab?*", min_size=0, max_size=4)
TEXTS = ["".join(letters) for n in range(9) for letters in itertools.product("ab", repeat=n)]


@FEW
@given(SHORT, SHORT)
def test_two_patterns_share_a_text_where_trying_all_texts_finds_one(one: str, other: str) -> None:
    tried = any(matches(text, one) and matches(text, other) for text in TEXTS)
    assert (common(one, other) is not None) == tried


@FEW
@given(st.text(alphabet="ab?*[]", max_size=40), st.text(alphabet="ab?*[]", max_size=40))
def test_the_example_matches_both(one: str, other: str) -> None:
    text = common(one, other)
    assert text is None or (matches(text, one) and matches(text, other))


def test_two_long_patterns_that_share_nothing_are_soon_given_up() -> None:
    one, other = "*a" * 127, "*b" * 127 + "b"
    assert common(one + "x", other) is None
