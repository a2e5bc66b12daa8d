"""Accepted nameplates, where a relay is not as accepted, and which can be accepted."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from poller.answers.baselines import (
    BaselineRow,
    DifferenceRow,
    acceptable,
    baseline_rows,
    difference_rows,
)
from poller.model.canonical import plain
from poller.model.nameplate import Nameplate, flat
from poller.model.standing import Baseline
from tests.answers.sites import site
from tests.answers.work_world import HOSTILE, looks_of_its_own, texts
from tests.answers.world import ACCEPTED, NOW, PRESENT, Q07, Q10, STATE, ago

DAY_S = 86_400
MANY = replace(
    STATE,
    relays={
        "old": replace(Q07, listed=False, baseline=None),
        "a": replace(Q07, bay="Q10", baseline=None),
        "b": replace(Q07, bay="Q2", function="main 2"),
        "c": replace(Q07, bay="Q2", function="main 1", nameplate=ACCEPTED),
        "d": Q10,
        "e": replace(Q07, bay="Q3", nameplate=None, baseline=None),
    },
)


def test_who_accepted_it_when_and_why() -> None:
    assert baseline_rows(STATE, NOW, ["q07-main1"]) == (
        BaselineRow(
            id="q07-main1",
            bay="Q07",
            function="main 1",
            word="differs",
            at=ago(days=30),
            age_s=30 * DAY_S,
            by="J. Kral",
            why="first roll",
            reference="W-12",
            accepted=flat(ACCEPTED),
        ),
    )


def test_one_that_was_never_accepted_is_new() -> None:
    (row,) = baseline_rows(STATE, NOW, ["q10-main1"])
    assert (row.word, row.at, row.accepted) == ("new", None, None)


def test_they_stand_by_bay_and_without_those_that_are_not_listed() -> None:
    assert [row.id for row in baseline_rows(MANY, NOW)] == ["c", "b", "e", "a", "d"]


def test_each_attribute_that_is_not_as_accepted_has_a_row() -> None:
    assert difference_rows(STATE, NOW) == (
        DifferenceRow(
            id="q07-main1",
            bay="Q07",
            function="main 1",
            name="swRev",
            says="firmware",
            accepted="V2.10.00",
            present="V2.11.00",
        ),
        DifferenceRow(
            id="q07-main1",
            bay="Q07",
            function="main 1",
            name="components.boot.swRev",
            says="boot firmware",
            accepted="1.4",
            present="1.5",
        ),
    )


def test_of_one_relay_only() -> None:
    assert difference_rows(STATE, NOW, ["q10-main1"]) == ()


@pytest.mark.parametrize(
    ("asked", "found"),
    [
        ({}, "b a d"),  # c is as accepted, e was never read, d was entered by hand
        ({"new_only": True}, "a d"),
        ({"bay": "q2"}, "b"),
        ({"bay": "Q"}, ""),
        ({"family": "td-40"}, "b a"),
        ({"family": "tarn LINE protection"}, "b a"),
        ({"family": "TARN LINE PROTECTION", "bay": "Q10"}, "a"),
        ({"family": "TARN LINE PROTECTION", "bay": "Q2", "new_only": True}, ""),
        ({"family": "nobody's"}, ""),
    ],
)
def test_which_can_be_accepted(asked: dict[str, Any], found: str) -> None:
    assert " ".join(acceptable(MANY, site(), **asked)) == found


def test_without_a_site_a_family_is_known_by_its_model_only() -> None:
    assert acceptable(MANY, None, family="TD-40") == ("b", "a")
    assert acceptable(MANY, None, family="Tarn line protection") == ()


def test_text_of_devices_and_people_is_escaped() -> None:
    accepted = Baseline(
        nameplate=Nameplate(swRev=HOSTILE), at=NOW, by=HOSTILE, why=HOSTILE, reference=HOSTILE
    )
    relay = replace(Q07, bay=HOSTILE, function=HOSTILE, baseline=accepted, nameplate=PRESENT)
    state = replace(STATE, relays={"r": relay})
    for row in (*baseline_rows(state, NOW), *difference_rows(state, NOW)):
        assert all(map(looks_of_its_own, texts(plain(row))))
    assert r"\x1b" in (difference_rows(state, NOW)[0].accepted or "") + str(
        baseline_rows(state, NOW)[0].accepted
    )
