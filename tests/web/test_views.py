"""The views as HTML: everything that was read is text, and nobody is shown what they may not do."""

from __future__ import annotations

from dataclasses import replace
from html.parser import HTMLParser

import pytest

from poller.answers.listing import Row, rows
from poller.decide import About, SiteRead
from poller.edges import commands
from poller.judging.findings import Silent
from poller.model.users import Role
from poller.web.views.relays import kinds
from tests.cli.bench import HOSTILE, believed
from tests.web.house import FOR_SOME, PATHS, House


class Reader(HTMLParser):
    """Elements with their attributes, ids, and the text."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.text += data


async def read(house: House, path: str, user: str | None = None) -> Reader:
    async with house.browser(user) as client:
        answer = await client.get(path)
    assert answer.status_code == 200
    return Reader(answer.text)


# A device that hides markup, terminal escapes and marks that turn text around in its version.


@pytest.mark.parametrize("path", [*PATHS, "/roll", "/alarms/list", "/stand"])
async def test_text_of_a_device_is_text(house: House, path: str) -> None:
    read_page = await read(house, path)
    assert not any(tag == "b" for tag, _ in read_page.elements)
    assert not {"\x1b", "\u202e"} & set(read_page.text)


async def test_and_it_is_shown_as_what_it_is(house: House) -> None:
    assert r"V1\x1b[2J\u202e<b>" in (await read(house, "/relays")).text


async def test_a_hostile_bay_leads_out_of_no_attribute(house: House) -> None:
    relay = house.site.file.relays[0]
    quote = '"><script>alert(1)</script>'
    entry = relay.model_copy(update={"bay": quote, "function": HOSTILE})
    file = house.site.file.model_copy(update={"relays": (entry, *house.site.file.relays[1:])})
    house.site = replace(house.site, file=file, sha256="1" * 64)
    house.decide(SiteRead())
    page = await read(house, "/relays")
    assert [attrs.get("src") for tag, attrs in page.elements if tag == "script"] == [
        "/static/page.js",
        "/static/relays.js",
    ]
    assert quote in page.text


@pytest.mark.parametrize("path", PATHS)
async def test_nothing_is_inline_and_nothing_comes_from_elsewhere(house: House, path: str) -> None:
    for tag, attrs in (await read(house, path)).elements:
        assert tag != "style", attrs
        assert not any(name.startswith("on") or name == "style" for name in attrs), (tag, attrs)
        assert tag != "script" or attrs.get("src", "").startswith("/static/"), attrs
        for name in ("src", "href", "action"):
            assert (attrs.get(name) or "/").startswith(("/", "#")), (tag, attrs)


async def test_every_way_of_the_head_is_tried(house: House) -> None:
    """So that what holds for all views is held for one that is added."""
    house.add("ute", *Role)
    page = await read(house, "/about", "ute")
    ways = {attrs["href"] for tag, attrs in page.elements if tag == "a"} - {
        "#content",
        "/about#mind",
    }
    assert ways >= {"/relays", "/alarms"}
    assert ways <= {*PATHS, *FOR_SOME}


@pytest.mark.parametrize("path", PATHS)
async def test_every_id_is_there_once(house: House, path: str) -> None:
    house.add("ute", *Role)
    page = await read(house, path, "ute")
    ids = [attrs["id"] for _, attrs in page.elements if "id" in attrs]
    assert len(ids) == len(set(ids))


# Which relays.


async def test_every_relay_has_a_row_in_the_order_of_the_roll(house: House) -> None:
    page = await read(house, "/relays")
    ids = [attrs["id"] for tag, attrs in page.elements if tag == "tr" and "id" in attrs]
    assert ids == [f"relay-{row.id}" for row in rows(house.state, house.live, house.now)]


async def test_a_piece_has_the_rows_that_are_asked_for(house: House) -> None:
    page = await read(house, "/roll?relay=q01-main1&relay=none")
    assert [attrs["id"] for tag, attrs in page.elements if tag == "tr"] == ["relay-q01-main1"]


def row(house: House, name: str) -> Row:
    return next(one for one in rows(house.state, {}, house.now) if one.id == name)


def test_what_a_relay_is_says_which_list_it_stands_in(house: House) -> None:
    assert kinds(row(house, "q03-main1")) == ()
    assert set(kinds(row(house, "q01-main1"))) >= {"look", "flags", "health", "open"}
    house.decide(About(relay="q03-main1", finding=Silent(last_answer_at=None, reason="x")))
    assert kinds(row(house, "q03-main1")) == ("look", "silent")
    house.decide(commands.command("pause", {"relay": "q03-main1", "why": "x"}), by="x")
    assert kinds(row(house, "q03-main1")) == ("paused",)
    house.decide(About(relay="q04-main1", finding=believed("5.1 SP2 HF3", serial="TW1900010")))
    accept = commands.command("baseline_accept", {"relays": ["q04-main1"], "why": "x"})
    house.decide(accept, by="x")
    assert "differs" not in kinds(row(house, "q04-main1"))
    house.decide(About(relay="q04-main1", finding=believed("5.2", serial="TW1900010")))
    assert "differs" in kinds(row(house, "q04-main1"))


# Alarms, and who is offered what.


@pytest.mark.parametrize(
    ("role", "offers"),
    [
        (Role.VIEWER, set()),
        (Role.OPERATOR, {"/do/alarm_ack", "/do/alarm_shelve"}),
        (Role.AUDITOR, set()),
    ],
)
async def test_only_what_a_person_may_do_is_offered(
    house: House, role: Role, offers: set[str]
) -> None:
    house.add("ute", role)
    page = await read(house, "/alarms", "ute")
    found = {attrs["action"] for tag, attrs in page.elements if tag == "form"}
    assert found - {"/sign-out"} == offers


async def test_an_alarm_that_is_shelved_stands_apart_and_can_be_brought_back(house: House) -> None:
    house.add("ute", "operator")
    alarm = next(iter(house.state.alarms))
    args = {"alarm": alarm, "why": "crew at site", "for_s": 1800}
    house.decide(commands.command("alarm_shelve", args), by="ute")
    page = await read(house, "/alarms", "ute")
    assert "Kept back" in page.text
    assert any(attrs.get("action") == "/do/alarm_unshelve" for _, attrs in page.elements)
    assert "crew at site" in page.text


async def test_the_head_says_how_many_stand(house: House) -> None:
    assert "unacknowledged" in (await read(house, "/stand")).text


async def test_the_cautions_stand_on_every_page(house: House) -> None:
    house.add("ute", "viewer")
    for path in (*PATHS, "/sign-in"):
        async with house.browser(None if path == "/sign-in" else "ute") as client:
            assert "Bayroll only reads." in (await client.get(path)).text
