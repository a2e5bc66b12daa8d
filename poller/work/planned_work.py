"""Where planned work stands, and every move from there.

People start, end, cancel and close work, and nothing else does; what a relay tells then moves it
between waiting, checking and the three ways in which it can come out. An observation that can't
change anything stays without effect, and a person's move that makes no sense is refused with why.
"""

from __future__ import annotations

import itertools
from enum import StrEnum
from typing import Final

from poller.model.events import WorkMoved
from poller.model.refusal import Refusal
from poller.model.work import Work, WorkState


class Move(StrEnum):
    """What happens to work."""

    CLEARED = "cleared"  # nothing stands in its way any more
    OBSTRUCTED = "obstructed"
    STARTED = "started"
    ENDED = "ended"  # the relay is connected again and can be looked at
    REREAD = "reread"  # a whole nameplate was read since
    SEEN_AS_PLANNED = "seen_as_planned"
    SEEN_OTHER = "seen_other"  # neither what was planned nor what it was
    TOOK_NOT = "took_not"  # still, or again, what it was
    PROVEN = "proven"  # the readings held for the soak, and the test is noted
    CANCELLED = "cancelled"
    CLOSED = "closed"


PEOPLE: Final = frozenset({Move.STARTED, Move.ENDED, Move.CANCELLED, Move.CLOSED})

S, M = WorkState, Move

STEP: Final[dict[tuple[WorkState, Move], WorkState]] = {
    (S.PLANNED, M.CLEARED): S.READY,
    (S.PLANNED, M.STARTED): S.UNDER_WAY,
    # nobody said that it was started, but what was planned happened in its window
    (S.PLANNED, M.SEEN_AS_PLANNED): S.CHECKING,
    (S.PLANNED, M.SEEN_OTHER): S.WRONG_VERSION,
    (S.PLANNED, M.CANCELLED): S.CANCELLED,
    (S.READY, M.OBSTRUCTED): S.PLANNED,
    (S.READY, M.STARTED): S.UNDER_WAY,
    (S.READY, M.SEEN_AS_PLANNED): S.CHECKING,
    (S.READY, M.SEEN_OTHER): S.WRONG_VERSION,
    (S.READY, M.CANCELLED): S.CANCELLED,
    (S.UNDER_WAY, M.ENDED): S.WAITING_FOR_RELAY,
    # a relay that never answers again: one more try, or given up
    (S.WAITING_FOR_RELAY, M.STARTED): S.UNDER_WAY,
    (S.WAITING_FOR_RELAY, M.REREAD): S.CHECKING,
    (S.WAITING_FOR_RELAY, M.SEEN_AS_PLANNED): S.CHECKING,
    (S.WAITING_FOR_RELAY, M.SEEN_OTHER): S.WRONG_VERSION,
    (S.WAITING_FOR_RELAY, M.CLOSED): S.CLOSED,
    (S.CHECKING, M.SEEN_OTHER): S.WRONG_VERSION,
    (S.CHECKING, M.TOOK_NOT): S.NOT_DONE,
    (S.CHECKING, M.PROVEN): S.VERIFIED,
    (S.CHECKING, M.CLOSED): S.CLOSED,
    (S.VERIFIED, M.CLOSED): S.CLOSED,
    (S.NOT_DONE, M.STARTED): S.UNDER_WAY,
    (S.NOT_DONE, M.SEEN_AS_PLANNED): S.CHECKING,  # it came up late
    (S.NOT_DONE, M.SEEN_OTHER): S.WRONG_VERSION,
    (S.NOT_DONE, M.CLOSED): S.CLOSED,
    (S.WRONG_VERSION, M.STARTED): S.UNDER_WAY,
    (S.WRONG_VERSION, M.SEEN_AS_PLANNED): S.CHECKING,
    (S.WRONG_VERSION, M.TOOK_NOT): S.NOT_DONE,  # it was put back
    (S.WRONG_VERSION, M.CLOSED): S.CLOSED,
}

NOT_STARTED: Final = "it has not been started"
WORKED_ON: Final = (
    "its relay is being worked on: end it first, so that the relay is polled and looked at"
)
TOO_LATE: Final = "its relay was worked on, and a record of that must stay: close it, saying why"
OVER: Final = "what is on record stays as it is: plan new work"

REFUSED: Final[dict[tuple[WorkState, Move], str]] = {
    (S.PLANNED, M.ENDED): NOT_STARTED,
    (S.PLANNED, M.CLOSED): f"{NOT_STARTED}: cancel it",
    (S.READY, M.ENDED): NOT_STARTED,
    (S.READY, M.CLOSED): f"{NOT_STARTED}: cancel it",
    (S.UNDER_WAY, M.STARTED): "it is under way already",
    (S.UNDER_WAY, M.CANCELLED): WORKED_ON,
    (S.UNDER_WAY, M.CLOSED): WORKED_ON,
    (S.WAITING_FOR_RELAY, M.ENDED): "it was ended already; its relay has not been read since",
    (S.WAITING_FOR_RELAY, M.CANCELLED): TOO_LATE,
    (S.CHECKING, M.STARTED): "its relay is being checked: close it, saying why, and plan new work",
    (S.CHECKING, M.ENDED): "it was ended already; its relay is being checked",
    (S.CHECKING, M.CANCELLED): TOO_LATE,
    (S.VERIFIED, M.STARTED): "it is done and verified: plan new work",
    (S.VERIFIED, M.ENDED): "it is done and verified",
    (S.VERIFIED, M.CANCELLED): TOO_LATE,
    (S.NOT_DONE, M.ENDED): "it was ended already; the relay is what it was before",
    (S.NOT_DONE, M.CANCELLED): TOO_LATE,
    (S.WRONG_VERSION, M.ENDED): "it was ended already; the relay is not what was planned",
    (S.WRONG_VERSION, M.CANCELLED): TOO_LATE,
    **{(S.CANCELLED, move): f"it was cancelled; {OVER}" for move in sorted(PEOPLE)},
    **{(S.CLOSED, move): f"it is closed; {OVER}" for move in sorted(PEOPLE)},
}

STAYS: Final[frozenset[tuple[WorkState, Move]]] = frozenset(
    {
        (S.PLANNED, M.OBSTRUCTED),
        (S.PLANNED, M.REREAD),
        (S.PLANNED, M.TOOK_NOT),  # nobody has begun
        (S.PLANNED, M.PROVEN),
        (S.READY, M.CLEARED),
        (S.READY, M.REREAD),
        (S.READY, M.TOOK_NOT),
        (S.READY, M.PROVEN),
        # who works on it says when it can be looked at; what is read before then may be half done
        (S.UNDER_WAY, M.CLEARED),
        (S.UNDER_WAY, M.OBSTRUCTED),
        (S.UNDER_WAY, M.REREAD),
        (S.UNDER_WAY, M.SEEN_AS_PLANNED),
        (S.UNDER_WAY, M.SEEN_OTHER),
        (S.UNDER_WAY, M.TOOK_NOT),
        (S.UNDER_WAY, M.PROVEN),
        (S.WAITING_FOR_RELAY, M.CLEARED),
        (S.WAITING_FOR_RELAY, M.OBSTRUCTED),
        (S.WAITING_FOR_RELAY, M.TOOK_NOT),  # it may still be starting; checking has the patience
        (S.WAITING_FOR_RELAY, M.PROVEN),
        (S.CHECKING, M.CLEARED),
        (S.CHECKING, M.OBSTRUCTED),
        (S.CHECKING, M.REREAD),
        (S.CHECKING, M.SEEN_AS_PLANNED),
        (S.NOT_DONE, M.CLEARED),
        (S.NOT_DONE, M.OBSTRUCTED),
        (S.NOT_DONE, M.REREAD),
        (S.NOT_DONE, M.TOOK_NOT),
        (S.NOT_DONE, M.PROVEN),
        (S.WRONG_VERSION, M.CLEARED),
        (S.WRONG_VERSION, M.OBSTRUCTED),
        (S.WRONG_VERSION, M.REREAD),
        (S.WRONG_VERSION, M.SEEN_OTHER),
        (S.WRONG_VERSION, M.PROVEN),
        # what comes after verification, or after the end, is another change
        *itertools.product(
            (S.VERIFIED, S.CANCELLED, S.CLOSED), sorted(set(Move) - PEOPLE, key=str)
        ),
    }
)


def moved(work: Work, move: Move, why: str) -> WorkMoved | None:
    """The event of that move; None: it stays. Raises Refusal where a person can't make it."""
    pair = work.state, move
    if pair in REFUSED:
        raise Refusal(f"{work.id}: {REFUSED[pair]}")
    if pair in STAYS:
        return None
    return WorkMoved(work=work.id, before=work.state, after=STEP[pair], why=why)
