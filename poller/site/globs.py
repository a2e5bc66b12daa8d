"""Patterns as files of Bayroll have them: * any text, ? any one character, nothing else is wild."""

from __future__ import annotations

from collections import deque
from fnmatch import fnmatchcase
from typing import Final, TypeAlias

ANY_ONE: Final = "?"
ANY_TEXT: Final = "*"
FILLER: Final = "x"  # stands in an example where any character may
Places: TypeAlias = tuple[int, int]  # how far into each of two patterns


def matches(text: str, pattern: str) -> bool:
    """The whole text, upper and lower case apart. A bracket is a bracket."""
    return fnmatchcase(text, pattern.replace("[", "[[]"))


def common(one: str, other: str) -> str | None:
    """A text that both patterns match; None: there is none, however long.

    Walks both patterns at once, breadth first: at most len(one) * len(other) pairs of places.
    """
    start = (0, 0)
    came: dict[Places, tuple[Places, str]] = {start: (start, "")}
    waiting = deque([start])
    while waiting:
        here = waiting.popleft()
        if here == (len(one), len(other)):
            return _told(came, here)
        for there, character in _steps(one, other, here):
            if there not in came:
                came[there] = (here, character)
                waiting.append(there)
    return None


def _steps(one: str, other: str, here: Places) -> list[tuple[Places, str]]:
    """Places that can be reached from here, each with the character that takes both there."""
    i, j = here
    a, b = one[i : i + 1], other[j : j + 1]
    found: list[tuple[Places, str]] = []
    if a == ANY_TEXT:
        found.append(((i + 1, j), ""))
    if b == ANY_TEXT:
        found.append(((i, j + 1), ""))
    if not a or not b:
        return found
    literal = {c for c in (a, b) if c not in (ANY_ONE, ANY_TEXT)}
    if len(literal) < 2:
        there = (i + (a != ANY_TEXT), j + (b != ANY_TEXT))
        found.append((there, next(iter(literal), FILLER)))
    return found


def _told(came: dict[Places, tuple[Places, str]], end: Places) -> str:
    characters = []
    while end != (0, 0):
        end, character = came[end]
        characters.append(character)
    return "".join(reversed(characters))
