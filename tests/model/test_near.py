"""Which relay may have been meant."""

from __future__ import annotations

import pytest

from poller.model.near import ASKED_MAX, NEAR_MAX, instead, near, positions
from poller.model.standing import Relay

NAMED = {
    "q02-main1": "Q02 main 1",
    "q02-main2": "Q02 main 2",
    "t1-main1": "T1 main 1",
    "r17": "K4 feeder 4",
    "r18": "K4 feeder 4",
}


@pytest.mark.parametrize(
    ("asked", "ids"),
    [
        ("Q02 main 1", ("q02-main1",)),
        ("Q02_MAIN1", ("q02-main1",)),
        ("k4 Feeder 4", ("r17", "r18")),
        ("q02", ("q02-main1", "q02-main2")),
        ("q02-mian1", ("q02-main1",)),
        ("q2-main2", ("q02-main2",)),
        ("q99", ()),
        ("q", ()),
        ("", ()),
        ("\x1b[2J", ()),
    ],
)
def test_what_is_near(asked: str, ids: tuple[str, ...]) -> None:
    found = near(asked, NAMED)
    assert (found[: len(ids)], bool(found)) == (ids, bool(ids))


def test_it_is_bounded() -> None:
    many = {f"q{n:04}-main1": f"Q{n:04} main 1" for n in range(100)}
    assert len(near("q00", many)) == NEAR_MAX
    assert near("q0007-main1".ljust(ASKED_MAX) + "x" * 1_000_000, many) == ("q0007-main1",)


def test_what_the_site_no_longer_lists_is_not_meant() -> None:
    relay = Relay(bay="Q02", function="main 1", address="")
    gone = Relay(bay="Q03", function="main 1", address="", listed=False)
    assert positions({"a": relay, "b": gone}) == {"a": "Q02 main 1"}


def test_it_is_told_in_words() -> None:
    told = [instead(ids, "see: bayroll list") for ids in ((), ("a",), ("a", "b"))]
    assert told == ["see: bayroll list", "there is a", "there are a, b"]
