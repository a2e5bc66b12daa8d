"""The point list as text: every point has words, and no cell is a formula."""

from __future__ import annotations

import csv
import io

import pytest

from poller.alarms.point_values import RelayValue, StationValue
from poller.answers.points import (
    INPUT,
    MEANS,
    SAYS_RELAY,
    SAYS_STATION,
    Kind,
    PointRow,
    Standing,
    means,
    rows,
    to_csv,
)
from poller.model.alarms import Cause, Priority
from poller.model.standing import State
from poller.site.load import load_site
from poller.site.shipped_alarms import shipped

SITE = """\
format: 1
site: hollin
name: Hollin 110 kV
relays:
  - {id: q01, bay: "Q01\\e[2J\\u202e", function: main 1, host: 127.1.1.1, maps: [any]}
"""


def row(response: str) -> PointRow:
    return PointRow(
        table=INPUT,
        address=70,
        item=71,
        iec104=1_070,
        block=1,
        place=6,
        kind=Kind.RELAY,
        owner="q01",
        bay="Q01",
        function="main 1",
        point="silent",
        means="it does not answer",
        priority=Priority.LOW,
        response=response,
        time_to_respond_min=None,
        standing=Standing.IN_USE,
    )


def cells(response: str) -> dict[str, str]:
    text = to_csv([row(response)]).decode("utf-8-sig")
    (found,) = csv.DictReader(io.StringIO(text, newline=""))
    return found


# OWASP, CSV Injection: what a spreadsheet takes for a formula, full-width forms too
@pytest.mark.parametrize("text", ["=1+1", "@SUM(A1)", "+1", "-1", "\uff1d1", "\t=1", "\r=1"])
def test_no_cell_is_a_formula(text: str) -> None:
    assert cells(text)["response"] == f"'{text}"


@pytest.mark.parametrize("text", ['Say "no", then; go', "two\nlines", "Zürich", "1-2=3"])
def test_other_text_is_read_back_as_it_was(text: str) -> None:
    assert cells(text)["response"] == text


def test_what_is_not_known_is_empty() -> None:
    assert cells("")["time_to_respond_min"] == ""


def test_every_condition_says_what_1_means() -> None:
    assert MEANS.keys() == set(Cause)


def test_every_value_says_what_it_is() -> None:
    assert (list(SAYS_RELAY), list(SAYS_STATION)) == (list(RelayValue), list(StationValue))


def test_a_flag_and_a_status_are_named() -> None:
    told = {entry.id: means(entry) for entry in shipped().entries}
    assert told["flag.support_ended"] == "its flag support_ended is up"
    assert told["firmware.approved_older"] == "its firmware is: approved older"
    assert not any("{" in words for words in told.values())


def test_text_of_people_reaches_no_terminal_as_it_is() -> None:
    found = rows(State(), load_site("site.yaml", {"site.yaml": SITE}.__getitem__))
    assert {one.bay for one in found if one.owner == "q01"} == {"Q01\\x1b[2J\\u202e"}
