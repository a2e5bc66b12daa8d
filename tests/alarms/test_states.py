"""The table of states against the standard's, both ways, and every pair of it decided."""

from __future__ import annotations

import csv
import itertools
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import pytest

from poller.alarms import states
from poller.alarms.states import (
    BEGIN,
    END,
    INHIBIT_REFUSED,
    INHIBIT_STAYS,
    INHIBIT_STEP,
    REFUSED,
    STAYS,
    STEP,
)
from poller.model.alarms import (
    INHIBIT_LETTER,
    STATE_CODE,
    STATE_NAME,
    Alarm,
    AlarmState,
    Happening,
    Hold,
    Inhibit,
    Inhibits,
)
from poller.model.refusal import Refusal

THEN: Final = datetime(2026, 3, 1, 4, 5, 6, tzinfo=UTC)
HOLD: Final = Hold(since=THEN, why="w1")
H: Final = Happening

# ANSI/ISA-18.2-2016 and IEC 62682, secondary: read in quotations, not in the standards themselves.
CHECKS: Final = Path(__file__).parents[1] / "checks"
STATES: Final = list(csv.DictReader((CHECKS / "alarm_states.csv").open(encoding="utf-8")))
MOVES: Final = list(csv.DictReader((CHECKS / "alarm_transitions.csv").open(encoding="utf-8")))
NOW: Final = [row for row in STATES if row["edition"] == "2016/IEC 62682"]

# The standard's words for what happens: ours. It has two for one that occurs, by where it stood.
HAPPENS: Final = {
    "alarm occurs": H.OCCURS,
    "re-alarm": H.OCCURS,
    "operator acknowledge": H.ACKNOWLEDGED,
    "return to normal": H.RETURNS,
}
BEGINS: Final = {
    "operator shelve": Inhibit.SHELVED,
    "designed suppression": Inhibit.SUPPRESSED,
    "remove from service": Inhibit.OUT_OF_SERVICE,
}
ENDS: Final = {
    "unshelve or time limit, condition normal": (Inhibit.SHELVED, H.RELEASED_NORMAL),
    "unshelve or time limit, condition alarm": (Inhibit.SHELVED, H.RELEASED_ALARM),
    "suppression ends, normal": (Inhibit.SUPPRESSED, H.RELEASED_NORMAL),
    "suppression ends, alarm": (Inhibit.SUPPRESSED, H.RELEASED_ALARM),
    "return to service, normal": (Inhibit.OUT_OF_SERVICE, H.RELEASED_NORMAL),
    "return to service, alarm": (Inhibit.OUT_OF_SERVICE, H.RELEASED_ALARM),
}


def alarm(state: AlarmState, *inhibits: Inhibit) -> Alarm:
    held = Inhibits()
    for inhibit in inhibits:
        held = held.with_(inhibit, HOLD)
    return Alarm(
        id="q07.silent", entry="silent", subject="q07", since=THEN, state=state, inhibits=held
    )


def ours() -> set[tuple[str, str, str]]:
    """Every move between letters that our tables make, in the standard's words."""
    found = set()
    for (before, happening), after in STEP.items():
        for words, mine in HAPPENS.items():
            wrong_word = "re-alarm" if before == AlarmState.NORMAL else "alarm occurs"
            if mine == happening and words != wrong_word:
                found.add((before.value, words, after.value))
    for words, inhibit in BEGINS.items():
        for state in AlarmState:
            if states.inhibits(alarm(state), inhibit, BEGIN):
                found.add((state.value, words, alarm(state, inhibit).letter))
    for words, (inhibit, happening) in ENDS.items():
        for state in AlarmState:
            if states.inhibits(alarm(state, inhibit), inhibit, END):
                after = states.moved(alarm(state), happening) or state
                found.add((alarm(state, inhibit).letter, words, after.value))
    return found


def theirs() -> set[tuple[str, str, str]]:
    found = set()
    for row in MOVES:
        letters = "ABCD" if row["from"] == "A-D" else row["from"]
        found |= {(letter, row["event"], row["to"]) for letter in letters}
    return found


def test_every_move_of_the_standard_is_ours() -> None:
    assert theirs() - ours() == set()


def test_we_make_no_move_that_the_standard_does_not() -> None:
    assert ours() - theirs() == set()


def test_the_standards_words_are_all_known_here() -> None:
    assert {row["event"] for row in MOVES} == HAPPENS.keys() | BEGINS.keys() | ENDS.keys()


@pytest.mark.parametrize("row", NOW, ids=lambda row: row["letter"])
def test_letters_names_and_codes_are_those_of_2016(row: dict[str, str]) -> None:
    letter = row["letter"]
    assert (STATE_NAME[letter], STATE_CODE[letter]) == (row["name"], row["code"])


def test_there_are_no_letters_but_those_of_2016() -> None:
    letters = {state.value for state in AlarmState} | set(INHIBIT_LETTER.values())
    assert letters == {row["letter"] for row in NOW} == STATE_NAME.keys() == STATE_CODE.keys()


@pytest.mark.parametrize("row", NOW, ids=lambda row: row["letter"])
def test_what_stands_in_the_operators_list_is_what_the_standard_says(row: dict[str, str]) -> None:
    shown = [
        alarm(state, *held)
        for state in AlarmState
        for held in ((), *((one,) for one in Inhibit))
        if alarm(state, *held).letter == row["letter"]
    ]
    assert {one.annunciated for one in shown} == {row["annunciated"] == "yes"}


@pytest.mark.parametrize("row", NOW[:4], ids=lambda row: row["letter"])
def test_an_alarm_is_active_where_the_standard_has_condition_alarm(row: dict[str, str]) -> None:
    assert alarm(AlarmState(row["letter"])).active == (row["condition"] == "alarm")


@pytest.mark.parametrize("pair", list(itertools.product(AlarmState, Happening)), ids=str)
def test_every_pair_of_state_and_happening_is_decided_once(
    pair: tuple[AlarmState, Happening],
) -> None:
    assert [pair in STEP, pair in STAYS, pair in REFUSED].count(True) == 1


@pytest.mark.parametrize("case", list(itertools.product(Inhibit, (True, False), (BEGIN, END))))
def test_every_case_of_an_inhibit_is_decided_once(case: tuple[Inhibit, bool, bool]) -> None:
    decided = [case in INHIBIT_STEP, case in INHIBIT_STAYS, case in INHIBIT_REFUSED]
    assert decided.count(True) == 1


def test_only_what_people_do_is_refused() -> None:
    assert {happening for _, happening in REFUSED} == {H.ACKNOWLEDGED}
    assert Inhibit.SUPPRESSED not in {inhibit for inhibit, _, _ in INHIBIT_REFUSED}


SHOWN = """
shelved                                        -> E
suppressed_by_design                           -> F
out_of_service                                 -> G
shelved suppressed_by_design                   -> F
shelved out_of_service                         -> G
suppressed_by_design out_of_service            -> G
shelved suppressed_by_design out_of_service    -> G
"""


@pytest.mark.parametrize("line", SHOWN.strip().splitlines())
@pytest.mark.parametrize("state", AlarmState)
def test_of_several_inhibits_g_is_shown_before_f_before_e(line: str, state: AlarmState) -> None:
    words, letter = (part.strip() for part in line.split("->"))
    assert alarm(state, *(Inhibit(word) for word in words.split())).letter == letter


@pytest.mark.parametrize("inhibit", Inhibit)
def test_what_is_kept_from_the_list_can_not_be_acknowledged(inhibit: Inhibit) -> None:
    with pytest.raises(Refusal, match="acknowledge"):
        states.moved(alarm(AlarmState.UNACKNOWLEDGED, inhibit), H.ACKNOWLEDGED)
