"""What each scheme reads, and which way a version went."""

from __future__ import annotations

import pytest

from poller.model import limits
from poller.model.events import Order
from poller.model.firmware_version import FirmwareVersion, key, normal, order, read, readable
from poller.site.register_map import Pattern
from tests.model.schemes import DOTTED, LETTERS, PACKS, RELEASE, SCHEMES

SPELLED = """
dotted  | 2.10.0        -> 2.10
dotted  | V02.10.00     -> 2.10        # leading zeros; missing last parts are zero
dotted  | v7            -> 7
dotted  | 0.0.0         -> 0
dotted  | 0             -> 0
dotted  | 1.2.3.4.5     -> 1.2.3.4.5
dotted  | 20260301.1    -> 20260301.1
dotted  | V1.0.10       -> 1.0.10      # a zero inside counts
dotted  | VV1.0         -> not read
dotted  | V 1.0         -> not read
dotted  | R1.0          -> not read
dotted  | 1.0b          -> not read
dotted  | 1..0          -> not read
dotted  | 1.            -> not read
dotted  | .1            -> not read
dotted  | 1,0           -> not read
dotted  | -1.0          -> not read
dotted  | 5.1 SP2       -> not read    # another scheme's
dotted  | V             -> not read
dotted  | FFFF FFFF     -> not read    # erased memory
packs   | 5.1 SP2 HF3   -> 5.1 SP2 HF3
packs   | 5.1-sp2-hf3   -> 5.1 SP2 HF3
packs   | V5.10SP02HF3  -> 5.10 SP2 HF3
packs   | 5.1 SP 2 HF-3 -> 5.1 SP2 HF3
packs   | 5.1 HF1       -> 5.1 HF1
packs   | 5.1 SP0       -> 5.1         # none and zero are one
packs   | 5.1           -> 5.1
packs   | 5.1 SP        -> not read
packs   | 5.1 HF1 SP2   -> not read    # the order is part of the scheme
packs   | 5.1 SP2 SP3   -> not read
packs   | 5.1  SP2      -> not read    # one space
packs   | 5.1_SP2       -> not read
packs   | SP2           -> not read
letters | B             -> B
letters | Rev B         -> B
letters | REV.B         -> B
letters | revAA         -> AA
letters | b             -> B           # case says nothing
letters | Rev           -> not read
letters | Rev 2         -> not read
letters | B2            -> not read
letters | Rev  B        -> not read
letters | ABC           -> not read    # three letters are a word
letters | BETA          -> not read
release | R3.12-B       -> R3.12-B
release | R3.12         -> R3.12
release | r3.12         -> not read    # a pattern means what it says
release | R3.12-        -> not read
release | R3.12-B2      -> not read    # neither a number nor letters
release | R3.12-_       -> not read
"""


def lines(table: str) -> list[tuple[str, ...]]:
    """scheme | left -> right  # why"""
    rows = []
    for line in table.strip().splitlines():
        name, rest = line.split("#")[0].split("|")
        left, right = rest.split("->")
        rows.append((name.strip(), left.strip(), right.strip()))
    return rows


@pytest.mark.parametrize(("scheme", "text", "spelled"), lines(SPELLED))
def test_the_plainest_spelling(scheme: str, text: str, spelled: str) -> None:
    assert (normal(text, SCHEMES[scheme]) or "not read") == spelled


WENT = """
dotted  | 2.10.0, 2.10.0            -> same
dotted  | V2.10.00, V2.11.00        -> newer
dotted  | 2.10.0, 2.9.9             -> older           # numbers, not letters
dotted  | 2.9, 2.10                 -> newer
dotted  | 1.0, 1.0.0                -> text_only       # missing last parts are zero
dotted  | 1.0, 1.0.1                -> newer
dotted  | V1.02.003, 1.2.3          -> text_only
dotted  | 1.0, 1.0b                 -> not_comparable
dotted  | 1.0b, 1.0b                -> same            # the text is the same, whatever it says
dotted  | 1.0b, 1.0a                -> not_comparable
packs   | 5.1, 5.1 SP1              -> newer
packs   | 5.1 SP2, 5.1 SP10         -> newer
packs   | 5.1 SP1, 5.1 HF9          -> older           # a service pack weighs more
packs   | 5.1 SP2 HF3, 5.1 SP2      -> older
packs   | 5.1 SP9 HF9, 5.1.1        -> newer           # the dots weigh most
packs   | 5.1 SP2 HF3, 5.1-sp2-hf03 -> text_only
packs   | 5.1 SP2, 5.1 FP2          -> not_comparable
letters | Z, AA                     -> newer           # length first
letters | Rev B, Rev A              -> older
letters | Rev B, B                  -> text_only
letters | AZ, BA                    -> newer
letters | Rev B, 2.0                -> not_comparable
release | R3.12, R3.12-A            -> newer           # absent is lowest
release | R3.12, R3.12-0            -> newer           # and is not zero here
release | R3.9-B, R3.12             -> newer
release | R3.12-Z, R3.12-AA         -> newer
release | R3.12-2, R3.12-10         -> newer
release | R3.12-02, R3.12-2         -> text_only
release | R3.12-2, R3.12-B          -> not_comparable  # a number and letters in one place
release | R3.12-2, R3.13-B          -> newer           # the place before decides
"""


@pytest.mark.parametrize(("scheme", "texts", "went"), lines(WENT))
def test_which_way_it_went(scheme: str, texts: str, went: str) -> None:
    before, after = texts.split(", ")
    assert order(before, after, SCHEMES[scheme]) == went


# From memory of the Unicode character tables: digits, letters and ends that only look right.
DISGUISED = {
    "arabic-indic digit": (DOTTED, "1.\u0663"),
    "superscript two": (DOTTED, "1.\u00b2"),
    "long s": (PACKS, "5.1 \u017fP2"),
    "kelvin sign": (LETTERS, "\u212a"),
    "greek capital alpha": (LETTERS, "\u0391"),
    "arabic-indic digit in a pattern": (RELEASE, "R3.12-\u0663"),
    "greek letter in a pattern": (RELEASE, "R3.12-\u0391"),
    "trailing newline": (DOTTED, "1.0\n"),
    "trailing newline after letters": (LETTERS, "Rev B\n"),
    "nothing": (DOTTED, ""),
}


@pytest.mark.parametrize(("scheme", "text"), DISGUISED.values(), ids=list(DISGUISED))
def test_what_only_looks_like_a_version_is_not_read(scheme: Pattern, text: str) -> None:
    assert not readable(text, scheme)


def test_a_pattern_that_takes_any_character_still_reads_ascii_only() -> None:
    wide = Pattern(kind="pattern", pattern="(?P<all>.+)", order=("all",))
    assert [readable(text, wide) for text in ("7", "b", "\u0663", "\u0391")] == [
        True, True, False, False,
    ]  # fmt: skip


def test_ignoring_case_in_a_pattern_adds_no_letters() -> None:
    loose = Pattern(kind="pattern", pattern="(?i)s(?P<n>[0-9]+)", order=("n",))
    assert [readable(text, loose) for text in ("S1", "s1", "\u017f1")] == [True, True, False]


def test_groups_weigh_in_the_order_that_the_pattern_names_them() -> None:
    by_year = Pattern(
        kind="pattern", pattern=r"(?P<week>\d\d)/(?P<year>\d\d)", order=("year", "week")
    )
    assert order("52/24", "03/25", by_year) is Order.NEWER


def test_a_longer_text_than_any_version_is_not_read() -> None:
    longest = "1." * (limits.VERSION_TEXT_MAX // 2 - 1) + "11"
    assert (readable(longest, DOTTED), readable(longest + "1", DOTTED)) == (True, False)


def test_a_version_keeps_its_text_whether_or_not_it_is_read() -> None:
    assert read("V01.0", DOTTED) == FirmwareVersion(text="V01.0", key=key("1", DOTTED))
    assert read("boot", DOTTED) == FirmwareVersion(text="boot", key=None)
