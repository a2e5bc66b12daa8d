"""When a relay counts as silent: misses in a row, not one lost reply."""

from __future__ import annotations

from typing import NamedTuple

from poller.judging.findings import Answering, Moment, Silent


class Hearing(NamedTuple):
    """answering: what events have told; None before the first. misses: polls in a row."""

    answering: bool | None = None
    misses: int = 0
    last_answer_at: Moment | None = None


def heard(hearing: Hearing, at: Moment) -> tuple[Hearing, Answering | None]:
    """After a poll that the relay answered, in whatever way."""
    after = Hearing(answering=True, misses=0, last_answer_at=at)
    return after, None if hearing.answering else Answering()


def missed(hearing: Hearing, reason: str, silent_misses: int) -> tuple[Hearing, Silent | None]:
    """After a poll that it did not answer."""
    after = hearing._replace(misses=hearing.misses + 1)
    if hearing.answering is False or after.misses < silent_misses:
        return after, None
    last = hearing.last_answer_at
    silent = Silent(last_answer_at=None if last is None else last.utc, reason=reason)
    return after._replace(answering=False), silent
