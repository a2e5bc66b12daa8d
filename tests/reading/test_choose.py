"""Which map fits an identity."""

from __future__ import annotations

from typing import Any

import pytest

from poller.model.nameplate import Nameplate
from poller.reading.choose import choose, fits
from tests.simulator.layouts import layout

HERON = Nameplate(vendor="Rookwood", model="Heron-7", orderCode="H7[A]-1", swRev="V3.10")

# fits ; whether HERON fits it
CASES: list[tuple[dict[str, Any], bool]] = [
    ({}, True),
    ({"vendors": ["Rookwood"]}, True),
    ({"vendors": ["rookwood"]}, False),
    ({"vendors": ["Rook"]}, False),
    ({"models": ["Heron-*"]}, True),
    ({"models": ["Heron-?"]}, True),
    ({"models": ["Heron-??"]}, False),
    ({"models": ["Crane*", "*-7"]}, True),
    ({"models": ["Heron-7"], "vendors": ["Other"]}, False),
    ({"order_codes": ["H7[A]-1"]}, True),  # a bracket is a bracket
    ({"order_codes": ["H7[AB]-1"]}, False),
    ({"order_codes": ["H7[*"]}, True),
    ({"versions": {"from": "V3.10"}}, True),
    ({"versions": {"from": "V3.9"}}, True),
    ({"versions": {"from": "V3.11"}}, False),
    ({"versions": {"below": "V3.10"}}, False),
    ({"versions": {"below": "V3.11"}}, True),
    ({"versions": {"from": "V3.2", "below": "V4"}}, True),
    ({"versions": {"from": "V4", "below": "V5"}}, False),
]


@pytest.mark.parametrize(("wanted", "yes"), CASES)
def test_fits(wanted: dict[str, Any], yes: bool) -> None:
    assert fits(layout(fits=wanted), HERON) is yes


@pytest.mark.parametrize(
    "wanted",
    [
        {"vendors": ["*"]},
        {"models": ["*"]},
        {"order_codes": ["*"]},
        {"versions": {"from": "V1"}},
        {"versions": {"below": "V9"}},
    ],
)
def test_what_the_identity_does_not_tell_fits_no_condition(wanted: dict[str, Any]) -> None:
    assert fits(layout(fits=wanted), Nameplate()) is False


@pytest.mark.parametrize("bound", ["from", "below"])
def test_a_version_that_cannot_be_compared_fits_no_bound(bound: str) -> None:
    one = layout(fits={"versions": {bound: "V3"}})
    assert fits(one, Nameplate(swRev="BOOT-LOADER")) is False


def test_the_first_that_fits_is_chosen() -> None:
    crane, first, second = (
        layout(map="crane", fits={"models": ["Crane*"]}),
        layout(map="heron", fits={"models": ["Heron*"]}),
        layout(map="rookwood", fits={"vendors": ["Rookwood"]}),
    )
    assert choose([crane, first, second], HERON) is first
    assert choose([crane], HERON) is None
