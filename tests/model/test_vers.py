"""Ranges of versions: what the VERS specification accepts and refuses, and what lies within.

Sources: VERS specification clause 5, its guide on parsing, and its published test cases
(package-url/vers-spec: vers_canonical_parse_test, intdot_version_cmp_test,
pypi_range_containment_test); CSAF 2.0, 3.1.2.3.2. Oracle beside them: univers, for numbers by dots.
"""

from __future__ import annotations

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from univers.version_range import VersionRange
from univers.versions import PypiVersion

from poller.model import limits
from poller.model.firmware_version import Scheme
from poller.model.text import shown
from poller.model.vers import BadRange, Constraint, contains, parse, spelled
from tests.model.schemes import DOTTED, LETTERS, PACKS

PARTS = """
vers:npm/1.2.3|>=2.0.0|<5.0.0      npm             1.2.3 >=2.0.0 <5.0.0   # clause 5.1, example 1
vers:gem/>=2.2.0|!=2.2.1|<2.3.0    gem             >=2.2.0 !=2.2.1 <2.3.0 # clause 5.1, example 2
vers:npm/>=1.0.0|<2.0.0            npm             >=1.0.0 <2.0.0         # canonical parse test
vers:npm/1.0%252F0                 npm             1.0%2F0                # the same: decoded once
vers:tomee/>=8.0.0-M1|<=8.0.1      tomee           >=8.0.0-M1 <=8.0.1     # CSAF 2.0, example 8
vers:all/*                         all                                    # CSAF 2.0: all versions
vers:deb/*                         deb                                    # clause 5.3.3.1
"""


def table(text: str) -> list[tuple[str, ...]]:
    lines = [line.partition(" #")[0] for line in text.strip().splitlines()]
    return [tuple(line.split()) for line in lines]


@pytest.mark.parametrize("row", table(PARTS), ids=lambda row: row[0])
def test_the_specifications_examples_have_these_parts(row: tuple[str, ...]) -> None:
    text, kind, *constraints = row
    found = spelled(text)
    told = [one.comparator + one.version for one in found.constraints]
    assert (found.type, told) == (kind, constraints)


def test_an_encoded_space_is_a_space_of_the_version() -> None:
    # canonical parse test: "accepts percent-encoded SPACE in a version"
    assert spelled("vers:x/5.1%20SP2").constraints == (Constraint("", "5.1 SP2"),)


REFUSED = """
vers:npm/>=1.0.0| <2.0.0            a space stands in it         # canonical parse test
vers:gem/>=2.2.0|!= 2.2.1|<2.3.0    a space stands in it         # CSAF 2.0, example 8, as printed
vers:npm/>=1.0.0|\t<2.0.0           the character '\\t'          # clause 5.3.3.2
vers:npm/1.0é                       the character 'é'            # clause 5: an ASCII URI
vers:npm/|>=1.0.0|<2.0.0            a constraint is empty        # canonical parse test
vers:npm/>=1.0.0|<2.0.0|            a constraint is empty        # canonical parse test
vers:npm/>=1.0.0||<2.0.0            a constraint is empty        # canonical parse test
vers:npm/                           a constraint is empty        # guide: not empty
vers:npm/>=2.0.0|<1.0.0             not sorted                   # canonical parse test
vers:npm/1.0%2G0                    percent-encoding             # canonical parse test
vers:x/2024%3a00                    percent-encoding             # canonical parse test: hex case
vers:npm/1.0%                       percent-encoding             # clause 5.3.3.2
vers:npm/1%0A2                      other characters             # clause 5.3.3.2
vers:npm/=1.2.3                     it is no constraint          # clause 5.3.3.1
vers:npm/==1.2.3                    it is no constraint
vers:npm/>=                         it is no constraint          # guide: version not empty
vers:npm/*|1.0                      it is no constraint          # clause 5.4: * alone
vers:npm/>*                         it is no constraint          # clause 5.3.3.1
vers:npm/1.0|1.0                    stands in it twice           # clause 5.4: unique
vers:npm/>=1.0|!=1.0.0              stands in it twice           # the same version, spelled so
vers:npm/<1.0|<2.0                  says nothing                 # clause 5.4: alternation
vers:npm/>1.0|>=2.0                 says nothing                 # clause 5.4: alternation
vers:npm/1.0|<2.0                   says nothing                 # clause 5.4: after equality
vers:npm/>1.0|2.0                   says nothing                 # guide: redundant and invalid
vers:npm/>1.0|!=1.5|>2.0            says nothing                 # != is left out of the sequence
VERS:npm/1.0                        no vers: range               # guide: lower case
vers:NPM/1.0                        no type                      # guide: lower case
vers:1x/1.0                         no type                      # clause 5.3.2
vers:/1.0                           no type                      # clause 5.3.2
vers:invalid/1.0                    no type                      # clause 5.3.2.1
vers:test/1.0                       have no order                # clause 5.3.2.1
vers:example/1.0                    have no order                # clause 5.3.2.1
vers:lexicographic/1.0              have no order                # ordered as text
vers:all/1.0                        type all goes with * alone   # CSAF 2.0
vers:npm                            no vers: range
<=2                                 no vers: range               # CSAF 2.0, example 9: a vls
>=8.1.5                             no vers: range               # CSAF 2.0, example 9: a vls
vers:intdot/1.2beta                 can't be read under dotted   # intdot cuts it; here a person
"""


def refused_rows() -> list[tuple[str, str]]:
    lines = [line.partition("  #")[0] for line in REFUSED.strip("\n").splitlines()]
    rows = [line.split("  ", 1) for line in lines]
    return [(text, what.strip()) for text, what in rows]


@pytest.mark.parametrize(("text", "what"), refused_rows())
def test_what_is_not_canonical_is_refused_and_said_why(text: str, what: str) -> None:
    with pytest.raises(BadRange) as reason:
        parse(text, DOTTED)
    assert what in reason.value.what


def test_a_refusal_says_what_where_and_how_to_mend_it() -> None:
    with pytest.raises(BadRange) as reason:
        parse("vers:npm/>=2.0.0|<1.0.0", DOTTED)
    assert str(reason.value) == (
        "2.0.0|1.0.0: the constraints are not sorted; the lower version stands first"
    )


@pytest.mark.parametrize("bound", ["VERS_TEXT_MAX", "VERS_CONSTRAINTS_MAX"])
def test_a_range_is_bounded(bound: str, monkeypatch: pytest.MonkeyPatch) -> None:
    text = "vers:x/1|2|3"
    parse(text, DOTTED)
    monkeypatch.setattr(limits, bound, 2)
    with pytest.raises(BadRange):
        parse(text, DOTTED)


@pytest.mark.parametrize(
    "text",
    [
        "vers:" * 800 + "/1",
        "vers:" + "x" * 4_000,
        "vers:x/" + "1" * 4_000,
        "vers:x/" + "=" * 4_000,
        "vers:x/%" + "1" * 4_000,
        "vers:x/1|" + "2" * 3_000 + "|" + "1" * 900,
        "é" * 4_000,
    ],
    ids=["type", "no range", "version", "signs", "encoding", "order", "characters"],
)
def test_a_refusal_stays_a_sentence_however_long_the_text_is(text: str) -> None:
    """Found by fuzzing: a document named a type of a thousand letters."""
    with pytest.raises(BadRange) as reason:
        parse(text, DOTTED)
    assert len(str(reason.value)) <= 2 * limits.SENTENCE_TEXT_MAX + 300


WITHIN = """
vers:intdot/>=1.2|<2.0                  1.5.0     yes   # intdot test
vers:intdot/>=1.2|<2.0                  2.0       no    # intdot test
vers:intdot/01.002.0003                 1.2.3     yes   # intdot test: leading zeros
vers:pypi/<=1.3.0|3.0.0                 1.0.0     yes   # pypi test
vers:pypi/>0.0.2                        0.0.3     yes   # pypi test
vers:pypi/<0.0.2                        0.0.0.1   yes   # pypi test: four parts
vers:pypi/>=1.0.0|<=2.0.0               1.5       yes   # pypi test
vers:pypi/>=1.0.0|<=2.0.0               2.0.3     no    # pypi test
vers:pypi/>=1.0.0|<=2.0.0               0.0.9     no    # pypi test
vers:pypi/!=2.0.3|>=3.0.0               2.0.3     no    # pypi test, sorted
vers:pypi/2.0.3|>=3.0.0                 2.0.3     yes   # pypi test, sorted
vers:pypi/<=1.0.0|>=2.0.0               1.5       no    # pypi test
vers:npm/*                              1.0.0     yes   # npm test
vers:npm/1.2.3|>=2.0.0|<5.0.0           1.2.3     yes   # clause 5.1
vers:npm/1.2.3|>=2.0.0|<5.0.0           1.2.4     no
vers:npm/1.2.3|>=2.0.0|<5.0.0           4.99.1    yes
vers:npm/1.2.3|>=2.0.0|<5.0.0           5.0.0     no
vers:gem/>=2.2.0|!=2.2.1|<2.3.0         2.2.1     no    # clause 5.1
vers:gem/>=2.2.0|!=2.2.1|<2.3.0         2.2.2     yes
vers:x/!=1.2.3                          1.2.3     no    # clause 5.3.3.1
vers:x/!=1.2.3                          1.2.4     yes
vers:x/<1|>2|<3|>4                      5         yes
vers:x/<1|>2|<3|>4                      3.5       no
vers:x/<1|>2|<3|>4                      2.0       no
vers:x/<3.0.29.4                        3.0.29.3  yes   # firmware has four parts
vers:x/<3.0.29.4                        3.0.29.4  no
vers:x/<3.0.29.4                        3.0.29.10 no
"""


@pytest.mark.parametrize(("text", "version", "within"), table(WITHIN))
def test_a_version_is_within_or_not(text: str, version: str, within: str) -> None:
    assert contains(parse(text, DOTTED), version, DOTTED) is (within == "yes")


OURS: list[tuple[Scheme, str, str, bool | None]] = [
    # a hot fix is after its service pack, as the family writes it
    (PACKS, "vers:x/>=5.1%20SP1|<5.1%20SP2%20HF3", "5.1 SP2", True),
    (PACKS, "vers:x/>=5.1%20SP1|<5.1%20SP2%20HF3", "5.1 SP2 HF3", False),
    (PACKS, "vers:x/<5.2", "5.1 SP2 HF3", True),
    # Z is before AA
    (LETTERS, "vers:x/<=AA", "Z", True),
    (LETTERS, "vers:x/<=AA", "AB", False),
    # what the scheme can't place is neither in nor out, unless every version is
    (DOTTED, "vers:x/<5.0", "V1\x1b[2J", None),
    (DOTTED, "vers:all/*", "V1\x1b[2J", True),
]


@pytest.mark.parametrize(("scheme", "text", "version", "within"), OURS)
def test_versions_are_ordered_as_the_family_orders_them(
    scheme: Scheme, text: str, version: str, within: bool | None
) -> None:
    assert contains(parse(text, scheme), version, scheme) is within


numbers = st.lists(st.integers(0, 3), min_size=1, max_size=4).map(lambda n: ".".join(map(str, n)))
constraints = st.lists(
    st.tuples(st.sampled_from(["", "!=", "<", "<=", ">", ">="]), numbers), min_size=1, max_size=5
)


@given(constraints, numbers)
def test_numbers_by_dots_lie_within_as_univers_says(
    drawn: list[tuple[str, str]], version: str
) -> None:
    """Of ranges that are accepted here. PEP 440, which type pypi names, has the order of dotted.

    Not of several exclusions and nothing else: univers takes "!=0" for all but 0, and "!=0|!=1" for
    nothing at all.
    """
    assume(len(drawn) == 1 or {comparator for comparator, _ in drawn} != {"!="})
    ordered = sorted(drawn, key=lambda one: tuple(map(int, one[1].split("."))))
    text = "vers:pypi/" + "|".join(comparator + number for comparator, number in ordered)
    try:
        found = parse(text, DOTTED)
    except BadRange:
        return
    theirs = PypiVersion(version) in VersionRange.from_string(text)
    assert contains(found, version, DOTTED) is theirs, text


@given(st.text(max_size=40) | st.text("vers:ax/<>=!*|%1.2 ", max_size=40).map("vers:x/{}".format))
def test_any_text_is_a_range_or_refused(text: str) -> None:
    try:
        told: object = contains(parse(text, DOTTED), "1.2", DOTTED)
    except BadRange as reason:
        told = str(reason)
    assert shown(str(told), 10_000) == str(told)
