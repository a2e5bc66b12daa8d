"""In how many ways a regular expression may try a text before it gives up: a bound from above.

A choice is one only where the next character does not decide it: `[0-9]*` before a dot has one
way, before another digit as many as there are characters. Looked at in the tree that the standard
library's own parser makes of the pattern, so that nothing is read otherwise here than there.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from re import _constants as kind  # type: ignore[attr-defined] # its tree has no public name
from re import _parser  # type: ignore[attr-defined]
from typing import Any, Final, TypeAlias

from poller.model import limits

Characters: TypeAlias = frozenset[int]
OTHER: Final = 128  # stands for every character beyond ASCII
ALL: Final[Characters] = frozenset(range(OTHER + 1))
END: Final[Characters] = frozenset()
DIGITS: Final[Characters] = frozenset(b"0123456789")
SPACES: Final[Characters] = frozenset(b" \t\n\r\f\v")
WORD: Final[Characters] = frozenset(c for c in range(OTHER) if chr(c).isalnum() or chr(c) == "_")
CATEGORIES: Final = {
    kind.CATEGORY_DIGIT: DIGITS,
    kind.CATEGORY_SPACE: SPACES,
    kind.CATEGORY_WORD: WORD,
    kind.CATEGORY_NOT_DIGIT: ALL - DIGITS,
    kind.CATEGORY_NOT_SPACE: ALL - SPACES,
    kind.CATEGORY_NOT_WORD: ALL - WORD,
}
ONE: Final = (kind.LITERAL, kind.NOT_LITERAL, kind.ANY, kind.IN)


class Unbounded(Exception):
    """The pattern has a part whose work has no bound here; the text says which."""


def ways(pattern: str) -> int:
    """1 for a pattern whose every choice is decided by the next character. Raises Unbounded.

    pattern: one that compiles under re.ASCII; of texts of at most VERSION_TEXT_MAX characters.
    """
    return _sequence(_parser.parse(pattern, re.ASCII), END)[0]


def _sequence(items: Iterable[Any], follow: Characters) -> tuple[int, Characters]:
    """Ways, and what the sequence or what follows it may begin with."""
    count, first = 1, follow
    for part, given in reversed(list(items)):
        if part in ONE:
            first = _characters(part, given)
        elif part is kind.SUBPATTERN:
            inner, first = _sequence(given[-1], first)
            count *= inner
        elif part is kind.BRANCH:
            inner, first = _either([_sequence(one, first) for one in given[1]])
            count *= inner
        elif part in (kind.MAX_REPEAT, kind.MIN_REPEAT):
            inner, first = _repeat(given[0], given[1], given[2], first)
            count *= inner
        elif part is not kind.AT:
            raise Unbounded(f"{str(part).lower()} is not taken")
    return count, first


def _either(choices: list[tuple[int, Characters]]) -> tuple[int, Characters]:
    together: set[int] = set()
    apart = True
    for _, first in choices:
        apart = apart and together.isdisjoint(first)
        together |= first
    counts = [count for count, _ in choices]
    return (max(counts) if apart else sum(counts)), frozenset(together)


def _repeat(least: int, most: int, body: Any, follow: Characters) -> tuple[int, Characters]:
    if most == 1:
        inside = _sequence(body, follow)
        return inside if least == 1 else _either([inside, (1, follow)])
    if len(body) != 1 or body[0][0] not in ONE:
        raise Unbounded("a group is repeated; only ? may follow a group")
    first = _characters(*body[0])
    choices = 1 if first.isdisjoint(follow) else min(most, limits.VERSION_TEXT_MAX) - least + 1
    return max(1, choices), first if least else first | follow


def _characters(part: Any, given: Any) -> Characters:
    """What one character may be; more rather than less."""
    if part is kind.LITERAL:
        return _cases({given})
    if part is not kind.IN:
        return ALL
    told: set[int] = set()
    for one, what in given:
        if one is kind.LITERAL:
            told.add(min(what, OTHER))
        elif one is kind.RANGE:
            told |= ALL & set(range(what[0], what[1] + 1))
            told |= {OTHER} if what[1] >= OTHER else set()
        elif one is kind.CATEGORY:
            told |= CATEGORIES[what]
    if given[0][0] is kind.NEGATE:
        return ALL - (told - {OTHER})
    return _cases(told)


def _cases(told: Iterable[int]) -> Characters:
    """Either case, whatever the flags say."""
    return frozenset(
        min(ord(letter), OTHER)
        for one in told
        for letter in {chr(one), *chr(one).lower()[:1], *chr(one).upper()[:1]}
    )
