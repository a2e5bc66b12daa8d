"""Which event a state goes up to: its hash in the chain, and when it was."""

from __future__ import annotations

from poller.answers.inventory import AsOf
from poller.journal import Journal
from poller.journal.chain import START
from poller.model.standing import State


def as_of(journal: Journal, state: State) -> AsOf:
    """state: of that journal. Raises JournalUnusable."""
    found = journal.read(after=state.seq - 1, limit=1) if state.seq else []
    if not found:
        return AsOf(seq=START.seq, hash=START.hash, at=None)
    last = found[0]
    return AsOf(seq=last.seq, hash=last.hash, at=last.event.at)
