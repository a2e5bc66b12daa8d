"""The spread of versions over time, from a journal, read on from where it was read before."""

from __future__ import annotations

import threading
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import timedelta

from poller.answers.spread import KINDS, Spread, Turn
from poller.answers.versions import Key
from poller.journal import Journal
from poller.journal.snapshot import base


@dataclass(slots=True)
class SpreadSoFar:
    """For threads. A journal only grows at its end, so that no event is read twice."""

    journal: Journal
    _spread: Spread | None = None
    _seq: int = 0
    _one_at_a_time: threading.Lock = field(default_factory=threading.Lock)

    def turns(self) -> Mapping[Key, tuple[Turn, ...]]:
        """Of each rule and firmware, the oldest first. Raises JournalUnusable."""
        with self._one_at_a_time:
            if self._spread is None:
                oldest = self.journal.read(0, 1)
                if not oldest:
                    return {}
                # what was pruned stood until the first event that is left
                at = oldest[0].event.at - timedelta(milliseconds=1)
                self._spread = Spread.of(base(self.journal.reader), at)
            while batch := self.journal.history(kinds=KINDS, after=self._seq):
                for recorded in batch:
                    self._spread.take(recorded.event)
                self._seq = batch[-1].seq
            return {key: tuple(turns) for key, turns in self._spread.turns.items()}
