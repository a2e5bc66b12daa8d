"""The shelf, and where one box has been."""

from __future__ import annotations

from dataclasses import replace

import pytest

from poller.answers.spares import Box, Place, SpareRow, box, follow, known, stock
from poller.model import events as ev
from poller.model.canonical import plain
from poller.model.nameplate import Nameplate
from poller.model.standing import Relay, State
from tests.answers.work_world import BUSY, HOSTILE, NAMESAKE, SHELVED, looks_of_its_own, texts
from tests.answers.world import NOW, ago, event, recorded


def test_a_spare_says_what_it_is_and_when_it_was_tested() -> None:
    assert stock(BUSY, NOW)[0] == SpareRow(
        vendor="Tarn",
        serNum="40391",
        model="TD-40",
        orderCode="TD40-A",
        swRev="V2.12.00",
        shelf="A3",
        tested_on="2026-02-11",
        since=ago(days=20),
        age_s=20 * 86_400,
    )


def test_shelves_stand_as_people_count() -> None:
    assert [one.shelf for one in stock(BUSY, NOW)] == ["A3", "A10"]


@pytest.mark.parametrize(
    ("text", "makers"), [("td40-a", ["Tarn"]), ("40391", ["Tarn", "Fell"]), ("40117", [])]
)
def test_a_choice_of_spares(text: str, makers: list[str]) -> None:
    assert [one.vendor for one in stock(BUSY, NOW, text)] == makers


def test_two_makers_may_use_one_serial_number() -> None:
    assert known(BUSY, "40391") == (NAMESAKE, SHELVED)
    assert known(BUSY, "40391", "Tarn") == (SHELVED,)
    assert known(BUSY, "0") == ()


def test_a_box_is_followed_from_place_to_place() -> None:
    assert box(SHELVED, BUSY) == Box(
        vendor="Tarn",
        serNum="40391",
        model="TD-40",
        orderCode="TD40-A",
        swRev="V2.12.00",
        tested_on="2026-02-11",
        places=(
            Place(since=ago(days=90), until=ago(days=30), relay="q07-main1", says="Q07 main 1"),
            Place(since=ago(days=30), until=ago(days=20), relay=None, says="nobody said where"),
            Place(since=ago(days=20), until=None, relay=None, says="shelf A3"),
        ),
    )


def test_a_box_nothing_is_known_of_has_no_places() -> None:
    assert box(replace(SHELVED, places=()), BUSY).places == ()


def first(serial: str | None) -> ev.NameplateFirstRead:
    return ev.NameplateFirstRead(nameplate=Nameplate(serNum=serial), map="tarn", first_new_at=NOW)


def then(serial: str | None) -> ev.NameplateChanged:
    return ev.NameplateChanged(
        change=ev.ChangeClass.REPLACED,
        changes=(),
        nameplate=Nameplate(serNum=serial),
        map="tarn",
        last_old_at=None,
        first_new_at=NOW,
    )


def shelved(serial: str) -> ev.SpareShelved:
    return ev.SpareShelved(
        vendor="Tarn",
        serNum=serial,
        model=None,
        orderCode=None,
        swRev=None,
        shelf="A3",
        tested_on=None,
    )


STORY = [
    recorded(at, event(body, subject))
    for at, (subject, body) in enumerate(
        [
            ("", shelved("7")),
            ("", shelved("8")),
            ("a", first("8")),
            ("a", ev.RelayResumed()),
            ("a", then("7")),  # 5: it comes to a
            ("a", ev.FlagFell(flag="f", last_old_at=None, first_new_at=NOW)),
            ("b", ev.RelayResumed()),
            ("a", then("9")),  # 8: and leaves it
            ("a", ev.RelayResumed()),
            ("b", first("7")),  # 10: comes to b
            ("", ev.SpareRemoved(vendor="Tarn", serNum="7", why="gone")),
        ],
        start=1,
    )
]


def test_what_happened_to_a_box_is_told_wherever_it_was() -> None:
    assert [one.seq for one in follow(STORY, "7", State())] == [1, 5, 6, 8, 10, 11]


def test_a_box_that_was_there_before_the_journal_begins_is_followed_too() -> None:
    there = Relay(bay="A", function="main 1", address="h:1/1", nameplate=Nameplate(serNum="6"))
    events = STORY[3:5]
    assert [one.seq for one in follow(events, "6", State(relays={"a": there}))] == [4, 5]


def test_text_of_boxes_is_escaped() -> None:
    asset = replace(
        SHELVED, vendor=HOSTILE, serNum=HOSTILE, places=((ago(days=1), f"shelf: {HOSTILE}"),)
    )
    state = State(assets={"x": asset})
    for told in (stock(state, NOW)[0], box(asset, state)):
        found = list(texts(plain(told)))
        assert any(r"\x1b" in text for text in found)
        assert all(map(looks_of_its_own, found))
