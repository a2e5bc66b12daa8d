"""How long to wait before the next try: doubling, capped, and never two outputs in step."""

from __future__ import annotations

from random import Random

from poller.model import limits


class Backoff:
    """first_s and cap_s: seconds. random: where the jitter comes from; a trial seeds it."""

    def __init__(
        self,
        random: Random,
        *,
        first_s: float = limits.OUTPUT_RETRY_FIRST_S,
        cap_s: float = limits.OUTPUT_RETRY_CAP_S,
    ) -> None:
        self._random = random
        self._first_s = min(first_s, cap_s)
        self._cap_s = cap_s
        self._ceiling_s = self._first_s

    def next_s(self) -> float:
        """Between half and the whole of a ceiling that doubles at each call, up to the cap."""
        ceiling_s = self._ceiling_s
        self._ceiling_s = min(self._cap_s, ceiling_s * 2)
        return ceiling_s * self._random.uniform(0.5, 1.0)

    def reset(self) -> None:
        """It worked: the next failure starts again from first_s."""
        self._ceiling_s = self._first_s
