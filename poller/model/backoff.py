"""How long to wait before trying again: the one place where the program decides that."""

from __future__ import annotations

from typing import Final, Protocol

DOUBLINGS_MAX: Final = 32  # past any cap; keeps the power small however long a peer is away


class Chance(Protocol):
    """A random.Random, or what a trial puts in its place; no chance of our own is made here."""

    def uniform(self, a: float, b: float, /) -> float: ...


def backoff_s(failures: int, *, first_s: float, cap_s: float, random: Chance) -> float:
    """Seconds to wait after so many failures in a row: doubles from first_s, never over cap_s.

    Drawn evenly from the upper half of the interval, so that those that went away together do not
    come back together, and none is asked again at once. failures: from 1; 0 waits not at all.
    """
    if failures <= 0:
        return 0.0
    most = min(cap_s, first_s * 2.0 ** min(failures - 1, DOUBLINGS_MAX))
    return random.uniform(most / 2, most)


class Backoff:
    """backoff_s for who does not count failures. first_s and cap_s: seconds."""

    def __init__(self, random: Chance, *, first_s: float, cap_s: float) -> None:
        self._random = random
        self._first_s, self._cap_s = first_s, cap_s
        self._failures = 0

    def next_s(self) -> float:
        """Seconds to wait after one more failure."""
        self._failures += 1
        return backoff_s(
            self._failures, first_s=self._first_s, cap_s=self._cap_s, random=self._random
        )

    def reset(self) -> None:
        """It worked: the next failure starts again from first_s."""
        self._failures = 0
