"""Silence is misses in a row; the first answer ends it."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from poller.judging.findings import Moment
from poller.judging.silence import Hearing, heard, missed

AT = datetime(2026, 3, 1, tzinfo=UTC)
THEN = Moment(0.0, AT)

CASES = """
polls      -> told         # ! answered, . missed; silent after three misses
!!!        -> A            # answering is told once
...        -> S            # never answered at all
!..!..!    -> A            # two misses are not silence
!...       -> AS
!......    -> AS           # told once, however long
!...!      -> ASA
!...!...!  -> ASASA
"""


@pytest.mark.parametrize(
    ("polls", "told"),
    [
        tuple(part.strip() for part in line.split("#")[0].split("->"))
        for line in CASES.strip().splitlines()[1:]
    ],
)
def test_misses_in_a_row_are_silence(polls: str, told: str) -> None:
    hearing, said = Hearing(), ""
    for poll in polls:
        if poll == "!":
            hearing, answering = heard(hearing, THEN)
            said += "A" if answering else ""
        else:
            hearing, silent = missed(hearing, "no reply", 3)
            said += "S" if silent else ""
    assert said == told


def test_silence_tells_the_last_answer() -> None:
    hearing, _ = heard(Hearing(), THEN)
    silent = None
    for _ in range(3):
        hearing, silent = missed(hearing, "no reply", 3)
    assert silent is not None
    assert silent.last_answer_at == AT


def test_a_relay_known_to_be_silent_is_not_told_again_after_a_restart_of_the_poller() -> None:
    hearing = Hearing(answering=False)
    for _ in range(5):
        hearing, silent = missed(hearing, "no reply", 3)
        assert silent is None
