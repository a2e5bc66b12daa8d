"""How an alarm stands, and every move from there.

Its condition, as delays and latch make it, moves an alarm between A and D, and so does whoever
acknowledges it. What keeps it from the operator stands beside that; when the last of it ends, only
whether the condition is there counts, and the operator is told as if for the first time.
Source of states and moves: ANSI/ISA-18.2-2016 and IEC 62682, by secondary quotations.
"""

from __future__ import annotations

from typing import Final

from poller.model.alarms import Alarm, AlarmState, Happening, Inhibit
from poller.model.refusal import Refusal

S, H = AlarmState, Happening

STEP: Final[dict[tuple[AlarmState, Happening], AlarmState]] = {
    (S.NORMAL, H.OCCURS): S.UNACKNOWLEDGED,
    (S.UNACKNOWLEDGED, H.ACKNOWLEDGED): S.ACKNOWLEDGED,
    (S.UNACKNOWLEDGED, H.RETURNS): S.RETURNED,
    (S.ACKNOWLEDGED, H.RETURNS): S.NORMAL,
    (S.RETURNED, H.ACKNOWLEDGED): S.NORMAL,
    # once more, before it was over or before anybody saw it: re-alarm
    (S.ACKNOWLEDGED, H.OCCURS): S.UNACKNOWLEDGED,
    (S.RETURNED, H.OCCURS): S.UNACKNOWLEDGED,
    # the last inhibit ended, condition alarm: whoever acknowledged it before did so long ago
    (S.NORMAL, H.RELEASED_ALARM): S.UNACKNOWLEDGED,
    (S.UNACKNOWLEDGED, H.RELEASED_ALARM): S.UNACKNOWLEDGED,
    (S.ACKNOWLEDGED, H.RELEASED_ALARM): S.UNACKNOWLEDGED,
    (S.RETURNED, H.RELEASED_ALARM): S.UNACKNOWLEDGED,
    # condition normal
    (S.UNACKNOWLEDGED, H.RELEASED_NORMAL): S.NORMAL,
    (S.ACKNOWLEDGED, H.RELEASED_NORMAL): S.NORMAL,
    (S.RETURNED, H.RELEASED_NORMAL): S.NORMAL,
}

STAYS: Final[frozenset[tuple[AlarmState, Happening]]] = frozenset(
    {
        (S.NORMAL, H.RETURNS),
        (S.NORMAL, H.RELEASED_NORMAL),
        (S.UNACKNOWLEDGED, H.OCCURS),  # it calls for attention already
        (S.RETURNED, H.RETURNS),
    }
)

REFUSED: Final[dict[tuple[AlarmState, Happening], str]] = {
    (S.NORMAL, H.ACKNOWLEDGED): "there is nothing to acknowledge: it is normal",
    (S.ACKNOWLEDGED, H.ACKNOWLEDGED): "it is acknowledged already",
}

BEGIN, END = True, False

INHIBIT_STEP: Final[dict[tuple[Inhibit, bool, bool], bool]] = {
    # of inhibit, whether it stands and what is wanted: whether it stands then
    (Inhibit.SHELVED, False, BEGIN): True,
    (Inhibit.SHELVED, True, END): False,
    (Inhibit.SUPPRESSED, False, BEGIN): True,
    (Inhibit.SUPPRESSED, True, END): False,
    (Inhibit.OUT_OF_SERVICE, False, BEGIN): True,
    (Inhibit.OUT_OF_SERVICE, True, END): False,
}

INHIBIT_STAYS: Final[frozenset[tuple[Inhibit, bool, bool]]] = frozenset(
    {
        (Inhibit.SUPPRESSED, True, BEGIN),
        (Inhibit.SUPPRESSED, False, END),
    }
)

INHIBIT_REFUSED: Final[dict[tuple[Inhibit, bool, bool], str]] = {
    (Inhibit.SHELVED, True, BEGIN): "it is shelved already: unshelve it first",
    (Inhibit.SHELVED, False, END): "it is not shelved",
    (Inhibit.OUT_OF_SERVICE, True, BEGIN): "it is out of service already",
    (Inhibit.OUT_OF_SERVICE, False, END): "it is not out of service",
}

KEPT_BACK: Final[dict[Inhibit, str]] = {
    Inhibit.SHELVED: "it is shelved: nobody is asked to acknowledge it until it comes back",
    Inhibit.SUPPRESSED: "planned work causes it: nobody is asked to acknowledge it until that ends",
    Inhibit.OUT_OF_SERVICE: "it is out of service: nobody is asked to acknowledge it",
}
"""Why nobody can acknowledge an alarm that is kept from the list."""


def moved(alarm: Alarm, happening: Happening) -> AlarmState | None:
    """The state after it; None: it stays. Raises Refusal where a person can't do that."""
    pair = alarm.state, happening
    kept = alarm.inhibits.shown
    if happening == H.ACKNOWLEDGED and kept is not None:
        raise Refusal(f"{alarm.id}: {KEPT_BACK[kept]}")
    if pair in REFUSED:
        raise Refusal(f"{alarm.id}: {REFUSED[pair]}")
    return None if pair in STAYS else STEP[pair]


def inhibits(alarm: Alarm, inhibit: Inhibit, wanted: bool) -> bool:
    """Whether the inhibit is to begin or end now; False: it stays. Raises Refusal, as moved.

    wanted: BEGIN or END.
    """
    case = inhibit, alarm.inhibits.of(inhibit) is not None, wanted
    if case in INHIBIT_REFUSED:
        raise Refusal(f"{alarm.id}: {INHIBIT_REFUSED[case]}")
    return case in INHIBIT_STEP
