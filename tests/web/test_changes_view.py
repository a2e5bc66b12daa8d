"""The ledger: what stands in it, how it is sifted and paged, and what it tells of each event."""

from __future__ import annotations

import itertools
import re

import pytest

from poller.answers.classes import CLASSES
from poller.decide import About
from poller.edges import commands
from poller.judging.findings import Answering, Silent
from poller.web.views.changes import A_PAGE, LOOKS
from tests.cli.bench import HOSTILE, believed
from tests.web.house import House, told
from tests.web.test_views import Reader, read

SILENT = Silent(last_answer_at=None, reason="no reply within 3 s")


def seqs(page: Reader) -> list[int]:
    return [
        int(attrs["data-seq"] or 0)
        for tag, attrs in page.elements
        if tag == "li" and "data-seq" in attrs
    ]


async def kinds(house: House, query: str) -> list[str]:
    """Of the events on a page, by the API with the same question."""
    async with house.browser() as client:
        answer = told(await client.get(f"/api/v1/events?limit=200&{query}"))
    return [event["kind"] for event in answer["events"]]


async def test_the_newest_stand_first(house: House) -> None:
    found = seqs(await read(house, "/changes"))
    assert found == list(range(house.state.seq, 0, -1))[:A_PAGE]


async def test_pages_follow_one_another_to_the_first_event_without_a_gap(house: House) -> None:
    for name in house.site.file.by_id:
        house.decide(About(relay=name, finding=SILENT))
    assert house.state.seq > A_PAGE
    found, path = list[int](), "/changes"
    while path:
        page = await read(house, path)
        found += seqs(page)
        path = next((a["href"] or "" for _, a in page.elements if a.get("id") == "older"), "")
    assert found == list(range(house.state.seq, 0, -1))


SIFTED = """
class=unplanned                       nameplate_changed
class=flags                           flag_rose
class=flags&class=health              flag_rose health_changed
class=investigations&of=relay:q01-main1  investigation_opened
class=unplanned&of=relay:q02-main1
class=unplanned&of=bay:Q01            nameplate_changed
class=unplanned&of=bay:Q02
class=flags&until=2026-03-01T07:00
class=flags&since=2026-03-01T07:00    flag_rose
"""


@pytest.mark.parametrize("line", SIFTED.strip().splitlines())
async def test_it_is_sifted_by_class_place_and_time(house: House, line: str) -> None:
    query, *expected = line.split()
    page = await read(house, f"/changes/rows?{query}")
    shown = {kind.replace(" ", "_") for kind in re.findall(r"\bKind([a-z ]+)\n", page.text)}
    assert shown == set(expected)


async def test_the_form_says_what_is_asked_for(house: House) -> None:
    page = await read(house, "/changes?class=flags&of=relay:q01-main1&since=2026-03-01T07:00")
    checked = [attrs["value"] for tag, attrs in page.elements if "checked" in attrs]
    chosen = [attrs["value"] for tag, attrs in page.elements if "selected" in attrs]
    values = {attrs.get("name"): attrs.get("value") for tag, attrs in page.elements}
    assert (checked, chosen) == (["flags"], ["relay:q01-main1"])
    assert values["since"] == "2026-03-01T07:00"


@pytest.mark.parametrize(
    "query",
    [
        "since=yesterday",
        "until=2026-02-30T00:00",
        "before=0",
        "before=x",
        "since=9999-12-31T23:59-23:59",
    ],
)
async def test_what_makes_no_sense_is_refused_in_words(house: House, query: str) -> None:
    async with house.browser() as client:
        answer = await client.get(f"/changes?{query}")
    assert answer.status_code == 422
    assert len(answer.text) > len("since: ")


async def test_a_class_that_there_is_not_is_refused_by_the_api(house: House) -> None:
    async with house.browser() as client:
        answer = await client.get("/api/v1/events?class=none")
    assert (answer.status_code, "use some of" in answer.json()["refused"]) == (422, True)


def test_what_is_offered_at_one_touch_are_classes() -> None:
    assert {name for names in LOOKS.values() for name in names} <= CLASSES.keys()


async def test_every_class_can_be_asked_for_and_no_event_is_of_none(house: House) -> None:
    every = await kinds(house, "")
    one_by_one = [kind for name in CLASSES for kind in await kinds(house, f"class={name}")]
    assert sorted(one_by_one) == sorted(every)


async def test_kinds_and_classes_that_exclude_each_other_find_nothing(house: House) -> None:
    assert await kinds(house, "class=flags&kind=health_changed") == []


# Each event.


async def test_the_hash_of_an_event_is_there_shortened_and_whole(house: House) -> None:
    page = await read(house, "/changes")
    head = house.page.behind.journal.head()
    assert f"no. {head.seq}, " in page.text
    assert f"{head.hash[:12]}…" in page.text
    assert head.hash in page.text


async def test_an_event_leads_to_its_relay(house: House) -> None:
    page = await read(house, "/changes?class=flags")
    assert "/relays/q01-main1" in [attrs.get("href") for _, attrs in page.elements]


async def test_a_change_tells_what_became_of_its_investigation(house: House) -> None:
    assert "nobody has said yet what it was" in (await read(house, "/changes?class=unplanned")).text
    args = {"investigation": "i1", "disposition": "mistake", "why": "wrong box"}
    house.decide(commands.command("disposition_give", args), by="ute")
    page = await read(house, "/changes?class=unplanned")
    assert "a mistake, says ute: wrong box" in " ".join(page.text.split())


async def test_text_of_a_device_is_text(house: House) -> None:
    house.decide(About(relay="q03-main1", finding=believed(HOSTILE, serial="<img src=x>")))
    for path in ("/changes", "/changes/rows", f"/changes/again?seq={house.state.seq}"):
        page = await read(house, path)
        assert not any(tag in ("b", "img") for tag, _ in page.elements)
        assert not {"\x1b", "\u202e"} & set(page.text)


# For a page that stands open.


async def test_what_came_after_is_had_alone(house: House) -> None:
    before = house.state.seq
    house.decide(About(relay="q03-main1", finding=SILENT))
    page = await read(house, f"/changes/rows?after={before}")
    assert seqs(page) == list(range(house.state.seq, before, -1))
    [newest] = [attrs["data-newest"] for _, attrs in page.elements if "data-newest" in attrs]
    assert newest == str(house.state.seq)


async def test_only_what_is_sifted_for_comes_after(house: House) -> None:
    before = house.state.seq
    house.decide(About(relay="q03-main1", finding=SILENT))
    assert seqs(await read(house, f"/changes/rows?class=flags&after={before}")) == []
    assert len(seqs(await read(house, f"/changes/rows?class=silence&after={before}"))) == 1


async def test_what_came_after_is_had_a_page_at_a_time(house: House) -> None:
    before = house.state.seq
    for name, finding in itertools.product(house.site.file.by_id, (SILENT, Answering())):
        house.decide(About(relay=name, finding=finding))
    found, older = list[int](), ""
    while True:
        page = await read(house, f"/changes/rows?after={before}{older}")
        found += seqs(page)
        [more] = [attrs["data-older"] for _, attrs in page.elements if "data-older" in attrs]
        if not more:
            break
        older = f"&before={more}"
    assert found == list(range(house.state.seq, before, -1))
    assert len(found) > A_PAGE


async def test_rows_are_had_again_by_their_numbers(house: House) -> None:
    assert seqs(await read(house, "/changes/again?seq=3&seq=5&seq=3&seq=99999")) == [5, 3]


async def test_an_old_page_is_not_live(house: House) -> None:
    page = await read(house, "/changes?before=20")
    [ledger] = [attrs for _, attrs in page.elements if attrs.get("id") == "ledger"]
    assert "data-live" not in ledger
    assert "To the newest" in page.text
