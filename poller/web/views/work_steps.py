"""How far a piece of work came, in steps; what a person does next; what the page offers for it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from poller.answers.work_words import STATE
from poller.model.work import WorkState
from poller.work.planned_work import PEOPLE, STEP

S = WorkState
SAYS: Final = ("planned", "ready", "under way", "looked at again", "verified", "closed")
AT: Final = {
    S.PLANNED: 0,
    S.READY: 1,
    S.UNDER_WAY: 2,
    S.WAITING_FOR_RELAY: 3,
    S.CHECKING: 3,
    S.NOT_DONE: 4,
    S.WRONG_VERSION: 4,
    S.VERIFIED: 4,
    S.CANCELLED: 1,
    S.CLOSED: 5,
}
INSTEAD: Final = frozenset({S.NOT_DONE, S.WRONG_VERSION, S.CANCELLED})
"""What stands in the place of the step that was meant."""

NEXT: Final = {
    S.PLANNED: "Remove what stands in the way.",
    S.READY: "Start it within its window.",
    S.UNDER_WAY: "When the relay is connected again, end the work: it is read and compared.",
    S.WAITING_FOR_RELAY: "Wait: its nameplate is read as soon as it answers.",
    S.CHECKING: "Wait: what is read is compared until it stayed so for the soak.",
    S.VERIFIED: "Sign the sheet, then close the work.",
    S.NOT_DONE: "Keep the relay isolated; see the next step of each line.",
    S.WRONG_VERSION: "Keep the relay isolated; see the next step of each line.",
    S.CANCELLED: "Nothing.",
    S.CLOSED: "Nothing.",
}
TEST_IT: Final = "Test the relay, then note the functional test here."
SIGN: Final = {
    S.VERIFIED: ("fine", "✓"),
    S.CLOSED: ("none", "■"),
    S.CANCELLED: ("none", "✕"),
    S.NOT_DONE: ("bad", "▲"),
    S.WRONG_VERSION: ("bad", "▲"),
    S.UNDER_WAY: ("warn", "‖"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """stands: done, now, or to come."""

    says: str
    stands: str


def steps(state: WorkState) -> tuple[Step, ...]:
    """Every step from planned to closed; what came instead of one stands in its place."""
    here = AT[state]

    def step(at: int, says: str) -> Step:
        stands = "done" if at < here else "now" if at == here else "to come"
        return Step(says=STATE[state] if at == here and state in INSTEAD else says, stands=stands)

    told = tuple(step(at, says) for at, says in enumerate(SAYS))
    return told[: here + 1] if state is S.CANCELLED else told


def next_says(state: WorkState, says: str) -> str:
    """says: the state in words, which tells where only the test is missing."""
    return TEST_IT if says != STATE[state] and state is S.CHECKING else NEXT[state]


def doable(state: WorkState) -> frozenset[str]:
    """What a person may do with work that stands there: started, ended, cancelled, closed."""
    return frozenset(move.value for at, move in STEP if at is state and move in PEOPLE)


def sign(state: WorkState) -> tuple[str, str]:
    """How its word is marked: a class of the style, and a sign."""
    return SIGN.get(state, ("none", "○"))
