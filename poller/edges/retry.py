"""How long to wait before trying again: the one place where the program decides that."""

from __future__ import annotations

from random import Random
from typing import Final

DOUBLINGS_MAX: Final = 32  # past any cap; keeps the power small however long a device is away


def backoff_s(failures: int, *, first_s: float, cap_s: float, random: Random) -> float:
    """Seconds to wait after so many failures in a row: doubles from first_s, never over cap_s.

    Drawn evenly from the upper half of the interval, so that devices that went away together do
    not come back together, and none is asked again at once. failures: from 1; 0 waits not at all.
    """
    if failures <= 0:
        return 0.0
    most = min(cap_s, first_s * 2.0 ** min(failures - 1, DOUBLINGS_MAX))
    return random.uniform(most / 2, most)
